"""Views of teaching scenes: how the target stands before the bay's camera, and its settings."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from bench.built.sizes import sizes_of
from bench.errors import ConfigError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import rotation_x, rotation_y, rotation_z
from bench.geometry.viewing import View, pose_of_view, view_of_pose
from bench.imaging.illumination import Highlight
from bench.imaging.model import Imaging
from bench.render.light import Light
from bench.scene.model import Bay, Tower, wheels_of_tower
from bench.scene.vehicle import Wheel
from bench.solve.response import target_points
from bench.survey.plan import Plan
from bench.survey.setting import Setting, check_plan
from bench.survey.setup import axle_ranges
from bench.targets.bend import Bend
from bench.targets.drawing import Drawing
from bench.targets.target import Target
from bench.teaching.cover import covered, ellipse, rectangle, shaded
from bench.teaching.scenes import Cover, Scene, Shade, Spot
from bench.typing import Array

VEIL_WIDTHS = 50.0  # spread of a veil, plate widths: even over the picture


def degrees(angle: float) -> float:
    """Return an angle in degrees as it was written, without the rounding of radians."""
    return round(math.degrees(angle), 9)


def stage(
    bay: Bay, scene: Scene, pipeline: str, trials: int, seed: int, as_built: bool = True
) -> tuple[Setting, Plan]:
    """Return what the first tower's camera sees in a scene, and the plan of its one cell.

    As built, what the bay's imperfections add to what the scene is about.

    Raises
    ------
    ConfigError
        The bay can't show it: no axle, too near, or a view out of the plan's limits.
    """
    tower = bay.towers[0]
    camera = tower.camera
    setting = Setting(
        camera,
        imaging_of(bay, scene),
        replace(bay.target, drawing=spoilt(bay.target, scene, bay.target.drawing, bend=True)),
        sizes_of(bay, tower) if as_built else None,
    )
    view = _wheel_view(bay, scene) if scene.astray else _view(bay, scene)
    pixel = project(np.zeros((1, 3)), pose_of_view(view, camera), camera)[0]
    at = ((pixel[0] + 0.5) / camera.width, (pixel[1] + 0.5) / camera.height)
    # roll would decide instead of the margin where a plate is so near to the edge, and is all
    # that anybody would see of a lean
    still = scene.margin is not None or bool(scene.astray)
    plan = Plan(
        ranges_m=(view.range_m,),
        turns_deg=(math.degrees(view.turn) if scene.astray else degrees(view.turn),),
        pitches_deg=(math.degrees(view.pitch) if scene.astray else degrees(view.pitch),),
        pipelines=(pipeline,),
        trials=trials,
        seed=seed,
        positions=(None if view.pixel is None else (float(at[0]), float(at[1])),),
        roll_deg=math.degrees(view.roll),
        roll_spread_deg=0.0 if still else bay.survey.roll_deg,
        # no more than leaves room for the steepest scene
        tilt_spread_deg=min(bay.survey.jitter_deg, 1.0),
        range_spread=bay.survey.jitter_range,
        tower=tower.name,
        **setting.digests(),  # type: ignore[arg-type]
    )
    try:
        check_plan(plan, setting)
    except ConfigError as error:
        raise ConfigError(f"{bay.path}: picture {scene.key}: {error}") from error
    return setting, plan


def _view(bay: Bay, scene: Scene) -> View:
    ranges = [range_m for _, range_m in axle_ranges(bay, bay.towers[0].name)]
    if not ranges:
        raise ConfigError(f"{bay.path}: tower {bay.towers[0].name} has no axle on its side")
    # millimetres are enough, and keep keys short
    range_m = round((ranges[0] if scene.axle == "near" else ranges[-1]) * scene.times, 3)
    camera = bay.towers[0].camera
    pixel = None
    if scene.margin is not None:
        size = camera.fx * bay.target.drawing.width / range_m
        u = camera.width - 0.5 - size * (scene.margin + 0.5 * math.cos(scene.turn))
        pixel = (round(u, 1), round(camera.cy, 1))
    return View(range_m, scene.turn, scene.pitch, 0.0, pixel)


def _wheel_view(bay: Bay, scene: Scene) -> View:
    """Return the nearest wheel's target as the first tower sees it, whichever is astray."""
    tower = bay.towers[0]
    plate = rotation_y(scene.by if scene.astray == "plate" else 0.0)
    T = moved(tower, scene).inverse() @ wheel_of(bay, tower).T_bay_target
    T = T @ Pose(plate, np.zeros(3))
    pixel = project(np.zeros((1, 3)), T, tower.camera)[0]
    return replace(view_of_pose(T), pixel=(float(pixel[0]), float(pixel[1])))


def wheel_of(bay: Bay, tower: Tower) -> Wheel:
    """Return the nearest wheel that a tower looks at.

    Raises
    ------
    ConfigError
        There is none.
    """
    eye = tower.T_bay_camera.translation
    wheels = [w for w in wheels_of_tower(bay, tower) if w.station == bay.stations[0].name]
    if not wheels:
        raise ConfigError(f"{bay.path}: tower {tower.name} has no axle on its side")
    return min(wheels, key=lambda w: float(np.linalg.norm(w.T_bay_target.translation - eye)))


def moved(tower: Tower, scene: Scene) -> Pose:
    """Return T_bay_camera of a tower that leans sideways about its foot, or was turned there."""
    T = tower.T_bay_camera
    turns = {"lean": rotation_x, "bump": rotation_z}
    if scene.astray not in turns:
        return T
    turn = turns[scene.astray](scene.by)
    foot = T.translation * (1.0, 1.0, 0.0)
    return Pose(turn @ T.rotation, foot + turn @ (T.translation - foot))


def turn_in_bay(bay: Bay, scene: Scene, R_true: Array, R_est: Array) -> Array:
    """Return what a wheel's reported rotation is off by (3, 3), bay axes, nobody knowing.

    Reported is a wheel where registration and holder would have it; true is where it is.
    """
    R_bay_camera = bay.towers[0].T_bay_camera.rotation
    if scene.astray == "plate":
        return np.asarray(R_bay_camera @ R_est @ rotation_y(scene.by) @ R_true.T @ R_bay_camera.T)
    turn = rotation_x(scene.by) if scene.astray == "lean" else rotation_z(scene.by)
    return np.asarray(R_bay_camera @ R_est @ R_true.T @ R_bay_camera.T @ turn.T)


def imaging_of(bay: Bay, scene: Scene) -> Imaging:
    """Return the first tower's imaging as a scene changes it."""
    imaging, target = bay.towers[0].imaging, bay.target
    plate = target.drawing.width
    optics, light = imaging.optics, imaging.illumination
    if scene.blur:
        optics = replace(optics, sigma_px=math.hypot(optics.sigma_px, scene.blur))
    if scene.motion:
        optics = replace(optics, motion_px=(scene.motion, 0.0))
    if scene.f_number is not None or scene.focus is not None:
        optics = replace(optics, f_number=scene.f_number, focus_distance=scene.focus)
    factor = scene.light * (_lamps_share(bay, scene.turn) if scene.lit else 1.0)
    light = replace(light, level=light.level * factor)
    if scene.gradient:
        light = replace(light, gradient=(scene.gradient / plate, 0.0))
    if scene.spot is not None:
        spot = scene.spot
        light = replace(
            light, highlight=Highlight(*place_of(target, spot), spot.sigma * plate, spot.level)
        )
    elif scene.veil:
        light = replace(light, highlight=Highlight(0.0, 0.0, VEIL_WIDTHS * plate, scene.veil))
    return Imaging(optics, light, imaging.sensor)


def _lamps_share(bay: Bay, turn: float) -> float:
    """Return the light that lamps give the nearest wheel's plate at a turn, over face-on."""
    tower = bay.towers[0]
    place = wheel_of(bay, tower).T_bay_target.translation
    toward = tower.T_bay_camera.translation - place
    facing = toward * (1.0, 1.0, 0.0) / np.linalg.norm(toward[:2])
    normals = np.array([facing, rotation_z(turn) @ facing])
    falls = Light(bay.surroundings.lamps, ()).at(np.array([place, place]), normals)
    return float(falls[1] / falls[0])


def spoilt(target: Target, scene: Scene, drawing: Drawing, bend: bool = False) -> Drawing:
    """Return a drawing of the target's face with a scene's covers, shadow and, if asked, bend."""
    width = target.drawing.width
    for cover in scene.covers:
        shape = ellipse if cover.round else rectangle
        window = shape(*place_of(target, cover), cover.width * width, cover.height * width)
        drawing = covered(drawing, window, cover.reflectance)
    if scene.shade is not None:
        shade = scene.shade
        window = rectangle(*place_of(target, shade), shade.width * width, shade.height * width)
        drawing = shaded(drawing, window, shade.factor)
    return replace(drawing, bend=Bend(twist=scene.twist)) if bend and scene.twist else drawing


def sought(target: Target, scene: Scene) -> Target:
    """Return what the pipeline looks for: the bay's target, or a plate of another id.

    Raises
    ------
    ConfigError
        A target without markers has no ids.
    """
    if not scene.other_id:
        return target
    if not target.markers:
        raise ConfigError(f"picture {scene.key}: a target without markers has no ids")
    ids = sorted(target.markers)
    step = len(ids) if ids[0] < len(ids) else -len(ids)
    return replace(target, markers={i + step: corners for i, corners in target.markers.items()})


def place_of(target: Target, thing: Spot | Shade | Cover) -> tuple[float, float]:
    """Return where a highlight, shadow or cover has its middle, target frame, metres."""
    x, y = thing.x * target.drawing.width, thing.y * target.drawing.width
    if isinstance(thing, Cover) and thing.on_corner:
        corner = corner_of(target)
        return x + float(corner[0]), y + float(corner[1])
    return x, y


def corner_of(target: Target) -> Array:
    """Return the pattern's upper right point (3,), target frame."""
    points = target_points(target)
    return np.asarray(points[np.argmax(points[:, 0] + points[:, 1])])


def edge_room(pixels: Array, camera: Camera) -> float:
    """Return the least distance of pixels (N, 2) from the frame's edge; negative beyond it."""
    low = pixels.min(axis=0) + 0.5
    high = (camera.width - 0.5, camera.height - 0.5) - pixels.max(axis=0)
    return float(min(*low, *high))


def lamp_of(bay: Bay, scene: Scene, T_camera_target: Pose) -> tuple[Array, float] | None:
    """Return where a lamp stands whose mirror image is a scene's spot, and the turn that cures it.

    By the law of reflection it stands where the line from the camera to the spot goes on from the
    face, as far off as the bay's nearest lamp. The cure is the least turn of the plate about its
    own y, either way, that takes the image's middle two spreads beyond the plate's edge.

    Returns
    -------
    tuple of (3,) float64 and float, or None
        Lamp in the target's frame, metres; degrees, NaN where no turn below 45 degrees will do.
    """
    if scene.spot is None:
        return None
    drawing, tower = bay.target.drawing, bay.towers[0]
    spot = np.array([*place_of(bay.target, scene.spot), 0.0])
    eye = T_camera_target.inverse().translation
    toward = eye - spot
    place = wheel_of(bay, tower).T_bay_target.translation
    away = [float(np.linalg.norm(np.array(x.position) - place)) for x in bay.surroundings.lamps]
    lamp = spot + min(away, default=3.0) * toward * (-1.0, -1.0, 1.0) / np.linalg.norm(toward)
    room = np.array([drawing.width, drawing.height]) / 2.0
    room = room + 2.0 * scene.spot.sigma * drawing.width
    for step in np.arange(0.5, 45.0, 0.5):
        for turn in (step, -step):
            back = rotation_y(math.radians(turn)).T
            near, image = back @ eye, (back @ lamp) * (1.0, 1.0, -1.0)
            if near[2] <= 0.0 or image[2] >= 0.0:
                return lamp, float(turn)  # the lamp no longer shines on the face
            hit = near + near[2] / (near[2] - image[2]) * (image - near)
            if np.any(np.abs(hit[:2]) > room):
                return lamp, float(turn)
    return lamp, math.nan
