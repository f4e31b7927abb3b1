"""Views of teaching scenes: how the target stands before the bay's camera, and its settings."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from bench.built.sizes import sizes_of
from bench.errors import ConfigError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import rotation_x
from bench.geometry.viewing import View, pose_of_view, view_of_pose
from bench.imaging.illumination import Highlight
from bench.imaging.model import Imaging
from bench.scene.model import Bay, Tower, wheels_of_tower
from bench.scene.vehicle import Wheel
from bench.solve.response import target_points
from bench.survey.plan import Plan
from bench.survey.setting import Setting, check_plan
from bench.survey.setup import axle_ranges
from bench.targets.target import Target
from bench.teaching.cover import covered, ellipse, rectangle
from bench.teaching.scenes import Cover, Scene, Spot


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
    tower, target = bay.towers[0], bay.target
    setting = Setting(
        tower.camera,
        imaging_of(tower.imaging, scene, target),
        target_of(target, scene.covers),
        sizes_of(bay, tower) if as_built else None,
    )
    view = _tower_view(bay, scene) if scene.lean_deg is not None else _view(bay, scene)
    T_camera_target = pose_of_view(view, tower.camera)
    pixel = project(np.zeros((1, 3)), T_camera_target, tower.camera)[0]
    camera = tower.camera
    at = ((pixel[0] + 0.5) / camera.width, (pixel[1] + 0.5) / camera.height)
    digests: dict[str, Any] = setting.digests()
    still = scene.margin is not None or scene.lean_deg is not None
    plan = Plan(
        ranges_m=(view.range_m,),
        turns_deg=(math.degrees(view.turn),),
        pitches_deg=(math.degrees(view.pitch),),
        pipelines=(pipeline,),
        trials=trials,
        seed=seed,
        positions=(None if view.pixel is None else (float(at[0]), float(at[1])),),
        roll_deg=math.degrees(view.roll),
        # roll would decide instead of the margin where a plate is so near to the edge, and is
        # all that anybody would see of a lean
        roll_spread_deg=0.0 if still else bay.survey.roll_deg,
        # no more than leaves room for the steepest scene
        tilt_spread_deg=min(bay.survey.jitter_deg, 1.0),
        range_spread=bay.survey.jitter_range,
        tower=tower.name,
        **digests,
    )
    try:
        check_plan(plan, setting)
    except ConfigError as error:
        raise ConfigError(f"{bay.path}: picture {scene.key}: {error}") from error
    if scene.corner:
        plate = np.column_stack((target.drawing.outline, np.zeros(4)))
        room = edge_room(project(plate, T_camera_target, camera), camera)
        if room < 0.0:
            raise ConfigError(
                f"{bay.path}: picture {scene.key}: the plate is too large for a corner with room, "
                f"{-room:.0f} px beyond the edge"
            )
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
        half = 0.5 * size * math.cos(math.radians(scene.turn_deg))
        u = camera.width - 0.5 - scene.margin * size - half
        v = camera.height - 0.5 - (scene.margin + 0.5) * size if scene.corner else camera.cy
        pixel = (round(u, 1), round(v, 1))
    return View(range_m, math.radians(scene.turn_deg), math.radians(scene.pitch_deg), 0.0, pixel)


def _tower_view(bay: Bay, scene: Scene) -> View:
    """Return the nearest wheel's target as the first tower sees it from where it leans."""
    tower = bay.towers[0]
    T = leaning(tower, scene.lean_deg or 0.0).inverse() @ wheel_of(bay, tower).T_bay_target
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


def leaning(tower: Tower, lean_deg: float) -> Pose:
    """Return T_bay_camera of a tower that leans sideways about its foot."""
    T = tower.T_bay_camera
    turn = rotation_x(math.radians(lean_deg))
    foot = T.translation * (1.0, 1.0, 0.0)
    return Pose(turn @ T.rotation, foot + turn @ (T.translation - foot))


def imaging_of(imaging: Imaging, scene: Scene, target: Target) -> Imaging:
    """Return the bay's imaging as a scene changes it."""
    plate = target.drawing.width
    optics, light = imaging.optics, imaging.illumination
    if scene.blur_px is not None:
        optics = replace(optics, sigma_px=math.hypot(optics.sigma_px, scene.blur_px))
    if scene.motion_px:
        optics = replace(optics, motion_px=(scene.motion_px, 0.0))
    light = replace(light, level=light.level * scene.light)
    if scene.gradient is not None:
        light = replace(light, gradient=(scene.gradient / plate, 0.0))
    if scene.spot is not None:
        spot = scene.spot
        at = place_of(target, spot)
        light = replace(light, highlight=Highlight(*at, spot.sigma * plate, spot.level))
    return Imaging(optics, light, imaging.sensor)


def target_of(target: Target, covers: tuple[Cover, ...]) -> Target:
    """Return the target with covers on its face; what detectors look for stays the same."""
    drawing = target.drawing
    for cover in covers:
        shape = ellipse if cover.round_ else rectangle
        size = (cover.width * drawing.width, cover.height * drawing.width)
        drawing = covered(drawing, shape(*place_of(target, cover), *size), cover.reflectance)
    return replace(target, drawing=drawing)


def place_of(target: Target, thing: Spot | Cover) -> tuple[float, float]:
    """Return where a highlight or cover has its middle, target frame, metres."""
    x, y = thing.x * target.drawing.width, thing.y * target.drawing.width
    if thing.on_corner:
        corner = corner_of(target)
        return x + float(corner[0]), y + float(corner[1])
    return x, y


def corner_of(target: Target) -> np.ndarray:
    """Return the pattern's upper right point (3,), target frame."""
    points = target_points(target)
    return np.asarray(points[np.argmax(points[:, 0] + points[:, 1])])


def edge_room(pixels: np.ndarray, camera: Camera) -> float:
    """Return the least distance of pixels (N, 2) from the frame's edge; negative beyond it."""
    low = pixels.min(axis=0) + 0.5
    high = (camera.width - 0.5, camera.height - 0.5) - pixels.max(axis=0)
    return float(min(*low, *high))
