"""The photometric solver under reflections, which the shipped bay's own light can draw."""

import numpy as np
import pytest

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.geometry.camera import Camera, project
from bench.geometry.rotation import log_rotation
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.illumination import Highlight, Illumination
from bench.imaging.model import Imaging, capture
from bench.imaging.optics import Optics
from bench.imaging.picture import Picture
from bench.imaging.region import region_of
from bench.imaging.sensor import Sensor
from bench.solve.ambiguity import mirrored_pose
from bench.solve.estimate import Outcome
from bench.solve.photometric import PhotometricSolver
from bench.targets.charuco import CharucoDesign
from bench.targets.design import build_target
from bench.targets.grid import GridDesign
from bench.targets.marker import MarkerDesign

CAMERA = Camera(2448, 2048, 3478.0, 3478.0, 1223.5, 1023.5)
SENSOR = Sensor()
CORNER_SIGMA = 0.1
TARGETS = {
    "marker": build_target(MarkerDesign(size=0.2)),
    "grid": build_target(GridDesign("DICT_APRILTAG_36h11", 2, 2, size=0.08, gap=0.02)),
    "charuco": build_target(CharucoDesign("DICT_4X4_50", 5, 5, square=0.04, marker=0.03)),
}


def observe(target, pose, rng, highlight, known):
    light = Illumination(0.6, highlight=highlight)
    region = region_of(target.drawing, pose, CAMERA, 8.0)
    imaging = Imaging(Optics(sigma_px=0.6), light, SENSOR)
    picture = capture(target.drawing, pose, CAMERA, imaging, region, rng)
    xy = target.points if len(target.points) else np.vstack(list(target.markers.values()))
    points = np.column_stack((xy, np.zeros(len(xy))))
    pixels = project(points, pose, CAMERA) + rng.normal(0.0, CORNER_SIGMA, (len(points), 2))
    detection = Detection(Found.FOUND, pixels, points, (0,), CORNER_SIGMA)
    return detection, Observation(picture, CAMERA, target, SENSOR if known else None)


def reflection(rng, sigma=0.06, level=0.25):
    return Highlight(*rng.uniform(-0.06, 0.06, 2), sigma, level)


def view(rng, range_m):
    turn, pitch = np.deg2rad([30.0, 3.0]) + rng.uniform(-0.02, 0.02, 2)
    pixel = (900.0 + rng.uniform(), 800.0 + rng.uniform())
    return pose_of_view(View(range_m, turn, pitch, rng.uniform(-0.3, 0.3), pixel), CAMERA)


def error_of(estimate, pose_true):
    pose = estimate.T_camera_target_est
    rotation = log_rotation(pose_true.rotation.T @ pose.rotation)
    return np.concatenate((rotation, pose.translation - pose_true.translation))


def squared(estimate, pose_true):
    error = error_of(estimate, pose_true)
    return float(error @ np.linalg.solve(estimate.covariance, error))


@pytest.mark.slow
@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize(
    ("kind", "range_m"),
    [("marker", 3.0), ("marker", 6.0), ("marker", 20.0), ("grid", 6.0), ("charuco", 6.0)],
)
def test_a_broad_reflection_costs_no_more_than_the_claim_says(kind, range_m, known):
    rng = np.random.default_rng(31)
    n, found = 8, []
    for _ in range(n):
        pose = view(rng, range_m)
        estimate = PhotometricSolver().solve(
            *observe(TARGETS[kind], pose, rng, reflection(rng), known)
        )
        assert estimate.outcome is Outcome.OK
        found.append(squared(estimate, pose))
    # mean of six degrees each; a field is a Gaussian's sample no more than this: half as much
    # again, beside what eight pictures scatter by at four standard deviations
    assert np.mean(found) < 6.0 * 1.5 + 4.0 * np.sqrt(12.0 / n)


def test_a_mirrored_start_under_a_reflection_finds_the_right_branch():
    rng = np.random.default_rng(32)
    target = TARGETS["marker"]
    for _ in range(4):
        pose = view(rng, 10.0)
        detection, seen = observe(target, pose, rng, reflection(rng), known=False)
        mirrored = mirrored_pose(pose)
        pixels = project(detection.p_target, mirrored, CAMERA)
        misled = Detection(Found.FOUND, pixels, detection.p_target, (0,), CORNER_SIGMA)
        estimate = PhotometricSolver().solve(misled, seen)
        assert estimate.outcome is Outcome.OK
        assert np.max(np.abs(error_of(estimate, pose)[:3])) < np.deg2rad(0.5)


@pytest.mark.slow
def test_a_bar_under_a_reflection_is_weighed_down_and_not_taken_for_light():
    rng = np.random.default_rng(33)
    for _ in range(5):
        pose = view(rng, 6.0)
        detection, seen = observe(TARGETS["marker"], pose, rng, reflection(rng), known=False)
        clean = PhotometricSolver().solve(detection, seen)
        grey = seen.picture.grey.copy()
        middle = grey.shape[1] // 2
        grey[:, middle : middle + 6] = 60
        picture = Picture(grey, seen.picture.u0, seen.picture.v0, seen.picture.full_scale)
        spoiled = PhotometricSolver().solve(
            detection, Observation(picture, CAMERA, seen.target, seen.sensor)
        )
        # a twentieth of the pixels is gone; five standard deviations of two noises, and the
        # claim's own excess of a half
        sigma = np.sqrt(1.5 * np.diag(clean.covariance))
        assert np.all(np.abs(error_of(spoiled, pose)) < 5.0 * 1.2 * sigma)


def test_what_a_reflection_saturates_is_left_out():
    rng = np.random.default_rng(34)
    found = []
    for _ in range(6):
        pose = view(rng, 6.0)
        highlight = reflection(rng, sigma=0.05, level=0.7)
        estimate = PhotometricSolver().solve(
            *observe(TARGETS["marker"], pose, rng, highlight, known=False)
        )
        assert estimate.outcome is Outcome.OK
        found.append(
            np.abs(error_of(estimate, pose)[:3]) / np.sqrt(np.diag(estimate.covariance))[:3]
        )
    assert np.sqrt(np.mean(np.square(found))) < 2.0
