"""Checks that poses keep to the conventions: units, frames, origin of pixels, camera model."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.errors import GeometryError
from bench.geometry.camera import Camera, project_camera
from bench.geometry.rotation import angle_between
from bench.geometry.viewing import mirrored_normal
from bench.solve.ippe import IppeLmSolver
from bench.targets.target import Target
from bench.typing import Array
from bench.verify.conformance_check import Check, explain, failed, passed
from bench.verify.conformance_corners import CornerRule, judge_origin
from bench.verify.conformance_subject import Reading
from bench.verify.conformance_views import Shown
from bench.verify.protocol import point_names

Seen = Sequence[tuple[Shown, Reading]]
Raw = tuple[Array, Array]  # (3, 3) and (3,), perhaps no pose at all

SAME = np.eye(3)
FLIP = np.diag([1.0, -1.0, -1.0])
ABOUT_Y = np.diag([-1.0, 1.0, -1.0])
HALF = np.diag([-1.0, -1.0, 1.0])
QUARTER = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
STATED = "as stated"
LEFT_HANDED = "your target's frame is left-handed, its {} is reversed"


def _axes(target: Array = SAME, camera: Array = SAME) -> Callable[[Array, Array], Raw]:
    """Return what undoes other axes of the target, of the camera, or of both."""
    return lambda R, t: (camera @ R @ target, camera @ t)


# How the pose that was meant is made of the one that was answered, and what to tell the author.
FRAMES: Mapping[str, Callable[[Array, Array], Raw]] = {
    STATED: _axes(),
    "your target frame is a half turn off about its normal; x is right and y up on the marker as "
    "OpenCV draws it: multiply the rotation by diag(-1, -1, 1) on the right": _axes(HALF),
    "your target frame is a quarter turn off, anticlockwise seen from the front": _axes(QUARTER.T),
    "your target frame is a quarter turn off, clockwise seen from the front": _axes(QUARTER),
    "your target has y down and z into its face; it must have y up and z out of it: multiply the "
    "rotation by diag(1, -1, -1) on the right": _axes(FLIP),
    "your target has x left and z into its face; it must have x right and z out of it: multiply "
    "the rotation by diag(-1, 1, -1) on the right": _axes(ABOUT_Y),
    "your camera has y up and z backward; it must have y down and z forward: multiply rotation "
    "and translation by diag(1, -1, -1) on the left": _axes(camera=FLIP),
    "your camera has y up and z backward, your target y down and z into its face: multiply by "
    "diag(1, -1, -1), the translation on the left, the rotation on both sides": _axes(FLIP, FLIP),
    "you give the camera in the target's frame; give the target in the camera's: "
    "p_camera = rotation p_target + translation": lambda R, t: (R.T, -R.T @ t),
    "your rotation is transposed: give it row by row": lambda R, t: (R.T, t),
    LEFT_HANDED.format("z"): _axes(np.diag([1.0, 1.0, -1.0])),
    LEFT_HANDED.format("y"): _axes(np.diag([1.0, -1.0, 1.0])),
    LEFT_HANDED.format("x"): _axes(np.diag([-1.0, 1.0, 1.0])),
}
NO_DISTORTION = (0.0, 0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True)
class PoseRule:
    """How poses are answered, so that later checks can look past what earlier ones found."""

    scale: float = 1.0
    frame: str = STATED

    def meant(self, reading: Reading) -> Raw:
        """Return the pose that a reading means."""
        assert reading.rotation is not None
        assert reading.translation is not None
        return FRAMES[self.frame](reading.rotation, reading.translation / self.scale)


def scales(target: Target) -> dict[str, float]:
    """Return what a length in metres is multiplied by in other units."""
    found = {"metres": 1.0, "feet": 1 / 0.3048, "inches": 1 / 0.0254}
    found |= {"centimetres": 100.0, "millimetres": 1000.0}
    side = target.marker_size or target.pitch
    found |= {
        "the marker's or pattern's side": 1.0 / side,
        "half the marker's side": 2.0 / side,
        "a marker as large as its plate": target.drawing.width / side,
    }
    return found


def check_units(seen: Seen) -> tuple[Check, PoseRule]:
    """Find the unit that explains how far away targets are said to be."""
    name = "units"
    ratios = [
        float(np.linalg.norm(reading.translation))
        / float(np.linalg.norm(shown.T_camera_target_true.translation))
        for shown, reading in seen
        if reading.translation is not None
    ]
    ratio = float(np.median(ratios))
    known = scales(seen[0][0].observation.target)
    words = f"distances are {ratio:.4g} times the true ones"
    if not 0.0 < ratio < math.inf:
        return failed(name, words, "give a translation in metres"), PoseRule()
    steps = {unit: abs(math.log(ratio / scale)) for unit, scale in known.items()}
    # half way, by ratio, from metres to the next unit: detectors are off by some percent
    gap = min(abs(math.log(s)) for unit, s in known.items() if unit != "metres")
    best = min(steps, key=steps.__getitem__)
    words += f", limit {math.exp(-gap / 2):.2f} to {math.exp(gap / 2):.2f}"
    if best == "metres" and steps[best] < gap / 2:
        return passed(name, words), PoseRule()
    if steps[best] >= gap / 2:
        fix = "no unit explains it; give metres"
        return failed(name, words, fix), PoseRule(scale=ratio)
    fix = f"your unit is {best}; give metres"
    if best.startswith("a marker"):
        fix = "you take the marker's side for the plate's; it is target.marker_size"
    return failed(name, words, fix), PoseRule(scale=known[best])


def check_frame(seen: Seen, rule: PoseRule) -> tuple[Check, PoseRule]:
    """Find the frames that explain how targets are said to be turned."""
    name = "frames"
    truths = [(shown.T_camera_target_true, shown) for shown, _ in seen]
    far, own = {}, {}
    for frame, undo in FRAMES.items():
        answered = [_apart(undo(*_scaled(reading, rule)), shown) for shown, reading in seen]
        far[frame] = float(np.median(answered))
        # how far an answer by the book would be from each frame: all wrong ones must be far
        stated = [_apart(undo(true.rotation, true.translation), shown) for true, shown in truths]
        own[frame] = float(np.median(stated))
    limit = 0.5 * min(value for frame, value in own.items() if frame != STATED)
    best = min(far, key=far.__getitem__)
    words = (
        f"poses are {math.degrees(far[STATED]):.2f} deg off (median), limit "
        f"{math.degrees(limit):.0f}"
    )
    if far[best] >= limit:
        fix = "no frame known explains it; see the request's conventions"
        if _is_mirrored(seen, rule):
            fix = "it is the mirrored one of the two poses that look alike: refine both, take the "
            fix += "one with the smaller residual"
        return failed(name, words, fix), rule
    if best == STATED:
        return passed(name, words), rule
    return failed(name, words, best), replace(rule, frame=best)


def check_pose_origin(seen: Seen, rule: PoseRule) -> tuple[Check, CornerRule] | None:
    """Measure how far from where it was seen the pose puts the target; None if it can't."""
    offsets = []
    for shown, reading in seen:
        points = np.array(list(point_names(shown.observation.target).values()))
        pixels = _projected(rule.meant(reading), points, shown)
        if pixels is None:
            return None
        offsets.append((pixels - shown.pixels_true(points)).mean(axis=0))
    mean = np.mean(offsets, axis=0)
    return judge_origin("poses put the target", mean, np.array(offsets), CornerRule())


def check_pose_camera(seen: Seen, rule: PoseRule, shift_px: tuple[float, float]) -> Check:
    """Tell which camera a pose was solved with, by what wrong ones would have given."""
    name = "camera model of poses"
    pixels, patterns = [], []
    for shown, reading in seen:
        points = np.array(list(point_names(shown.observation.target).values()))
        seen_at = _projected(rule.meant(reading), points, shown)
        if seen_at is None:
            fix = "the target is put behind the camera or beyond the lens's domain"
            return failed(name, "a pose has no picture", fix)
        pixels.append(seen_at - shift_px)
        patterns.append({STATED: shown.pixels_true(points)} | _wrong_cameras(shown, points))
    common = [key for key in patterns[0] if all(key in p for p in patterns)]
    expected = {key: np.vstack([p[key] for p in patterns]) for key in common}
    best, distances, limit = explain(np.vstack(pixels), expected)
    words = f"poses put the target {distances[STATED]:.2f} px (RMS) off, limit {limit:.1f}"
    if best == STATED:
        return passed(name, words)
    return failed(name, words, best or "no camera known explains it")


def _wrong_cameras(shown: Shown, points: Array) -> dict[str, Array]:
    """Return where points would be put by poses solved with wrong cameras."""
    camera, picture = shown.observation.camera, shown.observation.picture
    k1, k2, p1, p2, k3 = camera.distortion
    height, width = picture.grey.shape
    middle = (picture.u0 + 0.5 * (width - 1), picture.v0 + 0.5 * (height - 1))
    wrong = {
        "you leave out the lens's distortion": replace(camera, distortion=NO_DISTORTION),
        "you take distortion for k1, k2, k3, p1, p2; it is k1, k2, p1, p2, k3": replace(
            camera, distortion=(k1, k2, k3, p1, p2)
        ),
        "you take the picture's middle for the principal point; use camera.cx and camera.cy": (
            replace(camera, cx=middle[0], cy=middle[1])
        ),
        "you take fx for fy too; use camera.fy": replace(camera, fy=camera.fx),
    }
    pixels = shown.pixels_true(points)
    found = {}
    for words, other in wrong.items():
        pattern = _as_solved_with(other, points, pixels, shown)
        if pattern is not None:
            found[words] = pattern
    return found


def _as_solved_with(camera: Camera, points: Array, pixels: Array, shown: Shown) -> Array | None:
    observation = replace(shown.observation, camera=camera)
    pose = _solve(points, pixels, observation)
    return None if pose is None else _projected(pose, points, shown)


def _solve(points: Array, pixels: Array, observation: Observation) -> Raw | None:
    detection = Detection(Found.FOUND, pixels, points)
    pose = IppeLmSolver().solve(detection, observation).T_camera_target_est
    return None if pose is None else (pose.rotation, pose.translation)


def _projected(pose: Raw, points: Array, shown: Shown) -> Array | None:
    rotation, translation = pose
    try:
        return project_camera(points @ rotation.T + translation, shown.observation.camera)
    except GeometryError:
        return None


def _scaled(reading: Reading, rule: PoseRule) -> Raw:
    return replace(rule, frame=STATED).meant(reading)


def _apart(pose: Raw, shown: Shown) -> float:
    """Return the angle, radians, between a pose and the true one: of rotation or direction."""
    rotation, translation = pose
    true = shown.T_camera_target_true
    # |R - S|_F = 2 √2 sin(angle / 2); a reflection comes out at 180 degrees or near
    chord = float(np.linalg.norm(rotation - true.rotation)) / math.sqrt(8.0)
    turned = 2.0 * math.asin(min(1.0, chord))
    return max(turned, angle_between(translation, true.translation))


def _is_mirrored(seen: Seen, rule: PoseRule) -> bool:
    """Tell whether normals are nearer to the mirrored ones than to the true ones, and near."""
    hits = 0
    for shown, reading in seen:
        normal = _scaled(reading, rule)[0][:, 2]
        true = shown.T_camera_target_true
        mirrored = mirrored_normal(true)
        apart = angle_between(mirrored, true.rotation[:, 2])
        hits += angle_between(normal, mirrored) < 0.5 * apart
    return 2 * hits > len(seen)


def is_judged(reading: Reading) -> bool:
    """Tell whether a reading has a finite pose that is somewhere."""
    return (
        reading.rotation is not None
        and reading.translation is not None
        and bool(np.all(np.isfinite(reading.rotation)))
        and bool(np.all(np.isfinite(reading.translation)))
        and bool(np.any(reading.translation != 0.0))
    )
