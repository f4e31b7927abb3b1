"""Cases of a suite: how the target is held, what spoils it, and the picture that comes of it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from bench.built.draws import Moment, OneBay, draw_bay, draw_moment
from bench.built.picture import built_electrons, own_face
from bench.detect.observation import Observation
from bench.digest import key_digest
from bench.errors import GeometryError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.illumination import Highlight, illuminate
from bench.imaging.model import Imaging
from bench.imaging.picture import Picture, Region
from bench.imaging.region import region_of
from bench.imaging.sensor import expose
from bench.imaging.spread import spread_reflectance
from bench.render.planar import MARGIN_PX
from bench.survey.setting import Setting, pattern_points
from bench.targets.dictionary import dictionary
from bench.targets.drawing import Drawing
from bench.targets.marker import MarkerDesign, build_marker
from bench.targets.target import Target
from bench.typing import Array
from bench.verify.marks import cluttered, hide, scratch, soil
from bench.verify.suite import Group, Suite

Generator = np.random.Generator

# Draws of a pose before a case is given up: places near a border, or where the lens has no
# image, may fail now and then.
TRIES = 50
# Wrong targets stand at so many half-diagonals of the plate from the target's centre, nearer or
# farther by up to this factor.
AROUND, DEPTH = (2.2, 3.2), 1.15


@dataclass(frozen=True)
class SuiteCase:
    """One case: its group and number."""

    group: Group
    index: int

    @property
    def key(self) -> str:
        """Such as ``"far|00012"``; the case's numbers depend on it and the seed alone."""
        return f"{self.group.name}|{self.index:05d}"


@dataclass(frozen=True, eq=False)
class Scene:
    """What is before the camera in one case.

    Attributes
    ----------
    T_camera_target_true : Pose
        Where the target is; in an empty case where it would be.
    drawing : Drawing
        Its face as it really looks.
    others : tuple of (Drawing, Pose)
        Wrong targets around.
    imaging : Imaging
        Optics, light and sensor of this case.
    region : Region
        The part of the sensor to compute.
    built : (OneBay, Moment) or None
        The bay that the picture is of, and its light and dirt; None leaves noise alone.
    """

    T_camera_target_true: Pose
    drawing: Drawing
    others: tuple[tuple[Drawing, Pose], ...]
    imaging: Imaging
    region: Region
    built: tuple[OneBay, Moment] | None = None


def suite_cases(suite: Suite) -> Iterator[SuiteCase]:
    """Iterate over a suite's cases, group by group."""
    for group in suite.groups:
        for index in range(group.cases):
            yield SuiteCase(group, index)


def scene_of(case: SuiteCase, suite: Suite) -> Scene:
    """Return the scene of a case.

    Raises
    ------
    GeometryError
        The group asks for what the camera can't see.
    """
    group, setting = case.group, suite.setting
    rng = np.random.default_rng(np.random.SeedSequence([suite.seed, key_digest(case.key)]))
    T_camera_target = _pose(case, suite, rng)
    drawing, built = setting.target.drawing, built_of(case, suite)
    if built is not None and not group.empty:
        drawing = own_face(drawing, built[0])  # what is wrong with a face lies on its own print
    if group.empty:
        drawing = cluttered(drawing, group.clutter, rng)
    else:
        drawing = scratch(setting.target, drawing, group.scratches, rng)
        drawing = soil(setting.target, drawing, group.dirt, rng)
        if group.hidden is not None:
            drawing = hide(setting.target, drawing, rng.uniform(*group.hidden), rng)
    others = _others(group, T_camera_target, suite, rng)
    region = region_of(drawing, T_camera_target, setting.camera, MARGIN_PX)
    for other, pose in others:
        region = _joined(region, region_of(other, pose, setting.camera, MARGIN_PX))
    imaging = _imaging(group, setting.imaging, drawing, rng)
    return Scene(T_camera_target, drawing, others, imaging, region, built)


def built_of(case: SuiteCase, suite: Suite) -> tuple[OneBay, Moment] | None:
    """Return bay, light and dirt of a case: case k of every group is of bay k."""
    sizes = suite.setting.built
    if sizes is None:
        return None
    bay = draw_bay(sizes, suite.seed, f"suite {case.index}")
    return bay, draw_moment(sizes, suite.seed, case.key, suite.setting.target.drawing)


def observe(
    case: SuiteCase, suite: Suite, noise: int, scene: Scene | None = None
) -> tuple[Observation, Scene]:
    """Return what a pipeline may see of a case, and the truth behind it.

    Parameters
    ----------
    case, suite : SuiteCase, Suite
        Which case.
    noise : int
        Noise key: another one gives the same scene with new sensor noise.
    scene : Scene, optional
        The case's, where it is known already.
    """
    scene = scene_of(case, suite) if scene is None else scene
    entropy = [suite.seed, key_digest(f"{case.key}|noise={noise}")]
    rng = np.random.default_rng(np.random.SeedSequence(entropy))
    camera, imaging, region = suite.setting.camera, scene.imaging, scene.region
    grey = expose(_electrons(scene, suite.setting), imaging.sensor, rng)
    picture = Picture(grey, region.u0, region.v0, imaging.sensor.full_scale)
    return Observation(picture, camera, suite.setting.target, imaging.sensor), scene


def _electrons(scene: Scene, setting: Setting) -> Array:
    """Return the mean photo-electrons (H, W) of a scene."""
    camera, imaging, region = setting.camera, scene.imaging, scene.region
    truth = scene.T_camera_target_true
    if scene.built is not None and setting.built is not None:
        bay, moment = scene.built
        return built_electrons(
            setting.target.drawing,
            truth,
            camera,
            imaging,
            setting.built,
            bay,
            moment,
            region,
            scene.drawing,
            scene.others,
        )
    reflectance = spread_reflectance(scene.drawing, truth, camera, imaging.optics, region)
    for drawing, pose in scene.others:  # plates that don't overlap: their steps add up
        reflectance = reflectance + (
            spread_reflectance(drawing, pose, camera, imaging.optics, region) - drawing.background
        )
    filling = illuminate(reflectance, imaging.illumination, truth, camera, region)
    return np.asarray(np.maximum(filling, 0.0) * imaging.sensor.full_well)


def _pose(case: SuiteCase, suite: Suite, rng: np.random.Generator) -> Pose:
    group, camera = case.group, suite.setting.camera
    reason = "the pattern doesn't fit the picture"
    for _ in range(TRIES):
        tilt, towards = rng.uniform(*group.tilt), rng.uniform(0.0, 2.0 * math.pi)
        # the normal is (sin turn cos pitch, -sin pitch, cos turn cos pitch) in the facing frame
        pitch = -math.asin(math.sin(tilt) * math.sin(towards))
        turn = math.atan2(math.sin(tilt) * math.cos(towards), math.cos(tilt))
        u = rng.uniform(*group.across) * camera.width - 0.5
        v = rng.uniform(*group.down) * camera.height - 0.5
        view = View(rng.uniform(*group.range_m), turn, pitch, rng.uniform(*group.roll), (u, v))
        try:
            if group.edge_px is not None:
                view = _at_border(view, group.edge_px, suite, rng)
            T_camera_target = pose_of_view(view, camera)
            region_of(suite.setting.target.drawing, T_camera_target, camera, MARGIN_PX)
        except GeometryError as error:
            reason = str(error)
            continue
        pattern = project(pattern_points(suite.setting.target), T_camera_target, camera)
        if camera.contains(pattern):
            return T_camera_target
    raise GeometryError(f"suite {suite.name}, case {case.key}: {reason}")


def _at_border(view: View, edge_px: tuple[float, float], suite: Suite, rng: Generator) -> View:
    """Return the view moved so that the pattern keeps a drawn distance from one border."""
    camera, pattern = suite.setting.camera, pattern_points(suite.setting.target)
    axis, upper, gap = int(rng.integers(2)), rng.random() < 0.5, rng.uniform(*edge_px)
    size = (camera.width, camera.height)[axis]
    goal = size - 0.5 - gap if upper else gap - 0.5
    for _ in range(4):  # perspective changes on the way; the rest is below a pixel
        points = project(pattern, pose_of_view(view, camera), camera)[:, axis]
        pixel = list(view.pixel or (camera.cx, camera.cy))
        pixel[axis] += goal - float(points.max() if upper else points.min())
        view = replace(view, pixel=(pixel[0], pixel[1]))
    return view


def _others(
    group: Group, T_camera_target: Pose, suite: Suite, rng: Generator
) -> tuple[tuple[Drawing, Pose], ...]:
    """Return wrong targets around the right one, none over it or over each other."""
    if group.others == 0:
        return ()
    target, camera = suite.setting.target, suite.setting.camera
    reach = 0.5 * math.hypot(target.drawing.width, target.drawing.height)
    centre = T_camera_target.translation
    first = rng.uniform(0.0, 2.0 * math.pi)
    found: list[tuple[Drawing, Pose]] = []
    # a quarter turn apart, so that at 2.2 half-diagonals neighbours stay 3.1 apart
    for quarter in range(4):
        if len(found) == group.others:
            break
        angle = first + 0.5 * math.pi * quarter
        away = reach * rng.uniform(*AROUND)
        place = centre + away * np.array([math.cos(angle), math.sin(angle), 0.0])
        place = place * rng.uniform(1.0, DEPTH)  # behind, on the same line of sight
        tilt, towards = rng.uniform(0.0, 0.7), rng.uniform(0.0, 2.0 * math.pi)
        pitch = -math.asin(math.sin(tilt) * math.sin(towards))
        turn = math.atan2(math.sin(tilt) * math.cos(towards), math.cos(tilt))
        wrong = _wrong_target(target, rng)
        try:
            pixel = project(np.zeros((1, 3)), Pose(np.eye(3), place), camera)[0]
            view = View(
                float(np.linalg.norm(place)),
                turn,
                pitch,
                rng.uniform(-0.4, 0.4),
                (float(pixel[0]), float(pixel[1])),
            )
            pose = pose_of_view(view, camera)
            region_of(wrong.drawing, pose, camera, MARGIN_PX)
        except GeometryError:  # beyond the picture: nobody sees it
            continue
        found.append((wrong.drawing, pose))
    return tuple(found)


def _wrong_target(target: Target, rng: Generator) -> Target:
    """Return a marker like the target's with an id that isn't its own."""
    assert target.dictionary is not None
    book = dictionary(target.dictionary)
    ids = [i for i in range(book.size) if i not in target.markers]
    drawing = target.drawing
    paints = [shape.reflectance for shape in drawing.shapes]
    return build_marker(
        MarkerDesign(
            dictionary=target.dictionary,
            marker_id=int(rng.choice(ids)),
            size=target.marker_size,
            plate=(drawing.width, drawing.height),
            white=paints[0],
            black=min(paints),
            background=drawing.background,
        )
    )


def _joined(a: Region, b: Region) -> Region:
    u0, v0 = min(a.u0, b.u0), min(a.v0, b.v0)
    u1, v1 = max(a.u0 + a.width, b.u0 + b.width), max(a.v0 + a.height, b.v0 + b.height)
    return Region(u0, v0, u1 - u0, v1 - v0)


def _imaging(group: Group, imaging: Imaging, drawing: Drawing, rng: Generator) -> Imaging:
    optics, light = imaging.optics, imaging.illumination
    if group.blur_px is not None:
        optics = replace(optics, sigma_px=group.blur_px)
    if group.motion_px is not None:
        angle = rng.uniform(0.0, 2.0 * math.pi)
        motion = (group.motion_px * math.cos(angle), group.motion_px * math.sin(angle))
        optics = replace(optics, motion_px=motion)
    light = replace(light, level=light.level * group.light)
    if group.highlight is not None:
        x, y = rng.uniform(-0.5, 0.5, size=2) * (drawing.width, drawing.height)
        spot = Highlight(float(x), float(y), group.highlight.sigma, group.highlight.level)
        light = replace(light, highlight=spot)
    return Imaging(optics, light, imaging.sensor)
