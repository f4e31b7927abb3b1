"""Each mistake that an adapter's author may make is found and named, and nothing else is."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.geometry.viewing import mirrored_normal
from bench.solve.ippe import IppeLmSolver
from bench.solve.pipeline import pipeline_from_name
from bench.targets.design import CirclesDesign, MarkerDesign, build_target
from bench.targets.target import Target
from bench.verify import conformance
from bench.verify.conformance import conform
from bench.verify.conformance_check import CheckOutcome
from bench.verify.conformance_files import case_lines
from bench.verify.conformance_subject import PipelineSubject, Reading

MARKER = build_target(MarkerDesign(marker_id=7, size=0.16))
CIRCLES = build_target(CirclesDesign(columns=5, rows=5, symmetric=True))
Change = Callable[[Reading, Observation], Reading]


@pytest.fixture(scope="module", autouse=True)
def rendered_once():
    """Render each target's pictures once for all tests."""
    names = ("plain_views", "lens_views", "deep_views", "foreign_views", "empty_views")
    with pytest.MonkeyPatch.context() as patch:
        for name in names:
            patch.setattr(conformance, name, cache(getattr(conformance, name)))
        yield


class Mistaken:
    """A good pipeline whose answers are changed."""

    name = "mistaken"

    def __init__(self, pipeline: str, change: Change) -> None:
        self._subject = PipelineSubject(pipeline_from_name(pipeline))
        self._change = change

    def read(self, observation: Observation) -> Reading:
        return self._change(_read(self._subject, observation), observation)

    def restart(self) -> None:
        pass


READINGS: dict[tuple[str, int], tuple[Observation, Reading]] = {}


def _read(subject: PipelineSubject, observation: Observation) -> Reading:
    """Detect once for all tests; the observation is kept, so that its id stays its own."""
    key = subject.name, id(observation)
    if key not in READINGS:
        READINGS[key] = observation, subject.read(observation)
    return READINGS[key][1]


def corners(change: Callable[[np.ndarray, Observation], np.ndarray]) -> Change:
    """Give corners alone, changed."""

    def apply(reading: Reading, observation: Observation) -> Reading:
        if reading.pixels is None:
            return reading
        pixels = change(reading.pixels, observation)
        return replace(reading, pixels=pixels, rotation=None, translation=None)

    return apply


def poses(change: Callable[[np.ndarray, np.ndarray, Observation], Any]) -> Change:
    """Give poses alone, changed."""

    def apply(reading: Reading, observation: Observation) -> Reading:
        if reading.rotation is None:
            return replace(reading, pixels=None, p_target=None)
        rotation, translation = change(reading.rotation, reading.translation, observation)
        return Reading(reading.seconds, rotation=rotation, translation=translation)

    return apply


def solved_with(**changes: Callable[[Observation], Any]) -> Change:
    """Give poses alone, solved from good corners with another camera."""

    def apply(reading: Reading, observation: Observation) -> Reading:
        if reading.pixels is None:
            return reading
        camera = replace(
            observation.camera, **{name: value(observation) for name, value in changes.items()}
        )
        detection = Detection(Found.FOUND, reading.pixels, reading.p_target)
        pose = (
            IppeLmSolver()
            .solve(detection, replace(observation, camera=camera))
            .T_camera_target_est
        )
        return Reading(reading.seconds, rotation=pose.rotation, translation=pose.translation)

    return apply


def undistorted(pixels: np.ndarray, observation: Observation) -> np.ndarray:
    """Return pixels as a lens without distortion would have them, by the pose."""
    detection = Detection(Found.FOUND, pixels, MARKER_POINTS)
    pose = IppeLmSolver().solve(detection, observation).T_camera_target_est
    straight = replace(observation.camera, distortion=(0.0,) * 5)
    return project(MARKER_POINTS, pose, straight)


MARKER_POINTS = np.column_stack((MARKER.markers[7], np.zeros(4)))


def mirrored(rotation: np.ndarray, translation: np.ndarray, _: Observation) -> Any:
    """Return the other pose that looks alike, its x axis as near as may be."""
    normal = mirrored_normal(Pose(rotation, translation))
    x = rotation[:, 0] - (rotation[:, 0] @ normal) * normal
    x /= np.linalg.norm(x)
    return np.column_stack((x, np.cross(normal, x), normal)), translation


def _height(observation: Observation) -> int:
    return observation.picture.grey.shape[0]


def flat(*signs: float) -> np.ndarray:
    return np.diag(signs).astype(float)


FLIP = flat(1, -1, -1)
QUARTER = np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]])
MISTAKES: dict[str, tuple[Change, str, str]] = {
    "origin at the pixel's corner": (
        corners(lambda p, _: p + 0.5),
        "pixel origin",
        r"\(\+0\.50, \+0\.50\) px off, limit 0\.25: your origin is the corner of the top-left "
        r"pixel; subtract 0\.5",
    ),
    "half a pixel taken off": (corners(lambda p, _: p - 0.5), "pixel origin", "add 0.5"),
    "counted from 1": (corners(lambda p, _: p + 1.0), "pixel origin", "subtract 1$"),
    "a third of a pixel to the right": (
        corners(lambda p, _: p + (0.35, 0.0)),
        "pixel origin",
        r"\(\+0\.35, -?\+?0\.00\).*centre of the top-left pixel",
    ),
    "begins top right, runs back": (
        corners(lambda p, _: p[[1, 0, 3, 2]]),
        "corner order",
        r"run top right, top left, bottom left, bottom right.*in order \[1, 0, 3, 2\]",
    ),
    "begins at the bottom left": (
        corners(lambda p, _: p[[3, 0, 1, 2]]),
        "corner order",
        r"run bottom left, top left, top right, bottom right.*in order \[1, 2, 3, 0\]",
    ),
    "crosses over": (
        corners(lambda p, _: p[[0, 1, 3, 2]]),
        "corner order",
        r"take them in order \[0, 1, 3, 2\]",
    ),
    "row before column": (corners(lambda p, _: p[:, ::-1]), "corner order", r"give \[u, v\]"),
    "counted from the bottom": (
        corners(lambda p, o: np.column_stack((p[:, 0], _height(o) - 1 - p[:, 1]))),
        "corner order",
        "count v downward",
    ),
    "counted from the bottom of the part": (
        corners(
            lambda p, o: np.column_stack((p[:, 0], 2 * o.picture.v0 + _height(o) - 1 - p[:, 1]))
        ),
        "corner order",
        "count v downward",
    ),
    "counted from the bottom of the frame": (
        corners(lambda p, o: np.column_stack((p[:, 0], o.camera.height - 1 - p[:, 1]))),
        "corner order",
        "count v downward",
    ),
    "0.3 px off both ways": (
        corners(lambda p, _: p + 0.3),
        "pixel origin",
        r"0\.3 px, unlike any known convention",
    ),
    "undistorted": (corners(undistorted), "distortion of corners", "yours are undistorted"),
    "a region's own pixels": (
        corners(lambda p, o: p - (o.picture.u0, o.picture.v0)),
        "distortion of corners",
        "picture.u0, picture.v0",
    ),
    "half a turn": (
        poses(lambda R, t, _: (R @ flat(-1, -1, 1), t)),
        "frames",
        r"a half turn off.*diag\(-1, -1, 1\) on the right",
    ),
    "a quarter turn": (
        poses(lambda R, t, _: (R @ QUARTER, t)),
        "frames",
        "quarter turn off, anticlockwise",
    ),
    "another quarter turn": (
        poses(lambda R, t, _: (R @ QUARTER.T, t)),
        "frames",
        "quarter turn off, clockwise",
    ),
    "y down, z into the face": (
        poses(lambda R, t, _: (R @ FLIP, t)),
        "frames",
        "your target has y down and z into its face",
    ),
    "x left, z into the face": (
        poses(lambda R, t, _: (R @ flat(-1, 1, -1), t)),
        "frames",
        "your target has x left",
    ),
    "a camera that looks back": (
        poses(lambda R, t, _: (FLIP @ R, FLIP @ t)),
        "frames",
        "your camera has y up and z backward; it must",
    ),
    "both flipped": (
        poses(lambda R, t, _: (FLIP @ R @ FLIP, FLIP @ t)),
        "frames",
        "your camera has y up and z backward, your target y down",
    ),
    "inverse": (poses(lambda R, t, _: (R.T, -R.T @ t)), "frames", "you give the camera in"),
    "transposed": (poses(lambda R, t, _: (R.T, t)), "frames", "your rotation is transposed"),
    "left-handed": (
        poses(lambda R, t, _: (R @ flat(1, 1, -1), t)),
        "frames",
        "left-handed, its z is reversed",
    ),
    "the mirrored pose": (poses(mirrored), "frames", "mirrored one of the two poses"),
    "upside down and sideways": (
        poses(lambda R, t, _: (R @ np.roll(np.eye(3), 1, axis=0), t)),
        "frames",
        "no frame known explains it",
    ),
    "millimetres": (
        poses(lambda R, t, _: (R, 1000 * t)),
        "units",
        "your unit is millimetres; give metres",
    ),
    "inches": (poses(lambda R, t, _: (R, t / 0.0254)), "units", "your unit is inches"),
    "in marker sides": (
        poses(lambda R, t, _: (R, t / 0.16)),
        "units",
        "your unit is the marker's or pattern's side",
    ),
    "the plate for the marker": (
        poses(lambda R, t, _: (R, t * 1.25)),
        "units",
        "take the marker's side for the plate's|for a marker|target.marker_size",
    ),
    "the lens left out": (
        solved_with(distortion=lambda o: (0.0,) * 5),
        "camera model of poses",
        "leave out the lens's distortion",
    ),
    "coefficients in another order": (
        solved_with(distortion=lambda o: tuple(np.array(o.camera.distortion)[[0, 1, 4, 2, 3]])),
        "camera model of poses",
        "k1, k2, k3, p1, p2",
    ),
    "the middle for the principal point": (
        solved_with(
            cx=lambda o: o.picture.u0 + (o.picture.grey.shape[1] - 1) / 2,
            cy=lambda o: o.picture.v0 + (o.picture.grey.shape[0] - 1) / 2,
        ),
        "camera model of poses",
        "picture's middle for the principal point",
    ),
    "one focal length": (
        solved_with(fy=lambda o: o.camera.fx),
        "camera model of poses",
        "fx for fy",
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", MISTAKES)
def test_is_named(name):
    change, check, words = MISTAKES[name]
    report = conform(Mistaken("aruco-subpix/ippe-lm", change), MARKER)
    failed = {c.name: c for c in report.checks if c.verdict is CheckOutcome.FAIL}
    assert report.verdict is CheckOutcome.FAIL
    assert set(failed) == {check}, [c.words for c in failed.values()]
    assert re.search(words, failed[check].words), failed[check].words


@pytest.mark.parametrize(
    "pipeline",
    [
        "aruco-none/ippe",
        "aruco-subpix/sqpnp",
        "aruco-contour/iterative",
        "aruco-apriltag/epnp",
        "apriltag/ippe-lm",
    ],
)
def test_the_bench_s_own_pipelines_conform(pipeline):
    report = conform(Mistaken(pipeline, lambda reading, _: reading), MARKER)
    assert report.verdict is CheckOutcome.PASS, [c.words for c in report.checks]


@pytest.mark.parametrize(
    ("target", "pipeline"), [(CIRCLES, "circles/ippe-lm"), (MARKER, "aruco-subpix/ippe-lm")]
)
def test_corners_alone_or_poses_alone_will_do(target: Target, pipeline: str):
    for change in (corners(lambda p, _: p), poses(lambda R, t, _: (R, t))):
        report = conform(Mistaken(pipeline, change), target)
        assert report.verdict is CheckOutcome.PASS, [c.words for c in report.checks]


def test_a_lattice_turned_by_half_is_named():
    report = conform(Mistaken("circles/ippe-lm", corners(lambda p, _: p[::-1])), CIRCLES)
    (failed,) = [c for c in report.checks if c.verdict is CheckOutcome.FAIL]
    assert "the pattern's corners run bottom right, bottom left, top left, top right" in failed.fix


def test_pose_alone_tells_its_pixel_origin():
    def shifted(reading: Reading, observation: Observation) -> Reading:
        camera = observation.camera
        moved = replace(camera, cx=camera.cx - 0.5, cy=camera.cy - 0.5)
        return solved_with(cx=lambda _: moved.cx, cy=lambda _: moved.cy)(reading, observation)

    report = conform(Mistaken("aruco-subpix/ippe-lm", shifted), MARKER)
    (failed,) = [c for c in report.checks if c.verdict is CheckOutcome.FAIL]
    assert failed.name == "pixel origin"
    assert "poses put the target (+0.50, +0.50) px off" in failed.words


def failing_where(fails: Callable[[Observation], bool]) -> Change:
    """Die at some pictures."""
    return lambda reading, o: Reading(0.0, fault="died: code 9") if fails(o) else reading


@pytest.mark.parametrize(
    ("fails", "verdicts", "pictures"),
    [
        (
            lambda o: o.sensor.bit_depth > 8,
            {"16-bit pictures": CheckOutcome.FAIL},
            "12 bits, 16 bits",
        ),
        (
            lambda o: np.ptp(o.picture.grey) < 30 or np.mean(o.picture.grey == 215) > 0.1,
            {"empty frames": CheckOutcome.UNDECIDED},
            "a grey frame, a grey frame with the sensor's noise, a blank plate",
        ),
    ],
    ids=["at more bits", "at empty frames"],
)
def test_where_there_is_no_answer_is_told_case_by_case(fails, verdicts, pictures):
    report = conform(Mistaken("aruco-subpix/ippe-lm", failing_where(fails)), MARKER)
    found = {c.name: c.verdict for c in report.checks if c.verdict is not CheckOutcome.PASS}
    assert found == {"answers": CheckOutcome.FAIL, **verdicts}
    assert case_lines(report) == [f"{pictures}: died: code 9"]


def test_corners_too_few_for_a_pose_do_not_conform():
    def two(reading: Reading, _: Observation) -> Reading:
        if reading.pixels is None:
            return reading
        pixels, p_target = reading.corners
        return Reading(0.0, pixels=pixels[:2], p_target=p_target[:2])

    report = conform(Mistaken("aruco-subpix/ippe-lm", two), MARKER)
    (failed,) = [c for c in report.checks if c.verdict is CheckOutcome.FAIL]
    assert "a pose needs 4 of the target's points at least; one has 2" in failed.fix
