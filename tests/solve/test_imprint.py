"""What boundaries share: found where it is, by another renderer's pictures, and not elsewhere."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.geometry.camera import Camera, project
from bench.geometry.rotation import log_rotation
from bench.geometry.viewing import View, pose_of_view
from bench.solve.estimate import Outcome
from bench.solve.imprint import KINDS, TRUNCATED, kinds_left, place_of, truncation_covariance
from bench.solve.photometric import PhotometricSolver
from bench.targets.design import build_target
from bench.targets.marker import MarkerDesign
from reports.photometric.shots import Shot, gaussian_lens, photograph

CAMERA = Camera(2448, 2048, 3478.0, 3478.0, 1223.5, 1023.5)
TARGET = build_target(MarkerDesign(size=0.2))
CORNERS = np.column_stack((TARGET.markers[0], np.zeros(4)))
POSE = pose_of_view(View(6.0, 0.6, 0.05, 0.35, (1200.3, 1000.6)), CAMERA)


def solve(shot, rng):
    picture = photograph(TARGET, POSE, CAMERA, shot, rng)
    pixels = project(CORNERS, POSE, CAMERA) + rng.normal(0.0, 0.05, (4, 2))
    seen = Observation(picture, CAMERA, TARGET)
    return PhotometricSolver().solve(Detection(Found.FOUND, pixels, CORNERS), seen)


def errors(estimate):
    rotation = log_rotation(POSE.rotation.T @ estimate.T_camera_target_est.rotation)
    shift = estimate.T_camera_target_est.translation - POSE.translation
    return np.concatenate((rotation, shift))


def test_a_spot_longer_than_wide_is_found_and_its_mean_variance_with_it():
    lens = Shot(lens=lambda cells: gaussian_lens(0.8, cells, 0.6))
    estimate = solve(lens, np.random.default_rng(1))
    assert "ellipse" in estimate.light
    # tails, where chance shows them too, take a part of the blur
    assert estimate.blur_px == pytest.approx(np.sqrt(0.5 * (0.8**2 + 0.6**2)), rel=0.05)


@pytest.mark.parametrize("grown", [1.5e-4, -1.5e-4])
def test_ink_is_told_from_range_by_inner_and_outer_boundaries(grown):
    estimate = solve(Shot(spread=grown), np.random.default_rng(2))
    assert "ink" in estimate.light
    along = errors(estimate)[5]
    # taken for range, the marker's side would be 6 m · 2 · 0.15 mm / 200 mm = 9 mm off
    assert abs(along) < 1e-3
    assert abs(along) < 4.0 * np.sqrt(estimate.covariance[5, 5])


def test_ink_far_beyond_its_first_order_is_no_response_curve():
    estimate = solve(Shot(spread=3e-4), np.random.default_rng(8))
    assert "ink" in estimate.light
    assert "curve" not in estimate.light
    # 0.17 px: what a Taylor series of first order leaves turned this view by 4 sigma
    assert np.all(np.abs(errors(estimate)) < 4.0 * np.sqrt(np.diag(estimate.covariance)))


def test_clean_pictures_show_nothing_as_a_rule_and_lose_nothing():
    rng = np.random.default_rng(3)
    shown = 0
    for _ in range(10):
        estimate = solve(Shot(), rng)
        assert estimate.outcome is Outcome.OK
        shown += "+" in estimate.light
    # five kinds, one in a hundred each: 3 or more of 10 once in a hundred times
    assert shown < 3


@pytest.mark.slow
def test_errors_under_motion_are_those_claimed():
    rng = np.random.default_rng(4)
    shot = Shot(lens=lambda cells: gaussian_lens(0.9, cells, 0.6))
    squares = []
    for _ in range(8):
        estimate = solve(shot, rng)
        error = errors(estimate)
        squares.append(error @ np.linalg.solve(estimate.covariance, error) / 6.0)
    # χ² of 48 degrees of freedom over 48: below 1.7 in 99.8 of 100 cases
    assert np.mean(squares) < 1.7


def test_truncation_is_a_share_of_what_amounts_move():
    rng = np.random.default_rng(7)
    rows = rng.normal(size=(400, 12))
    amounts = np.array([3.0, -2.0])
    found = truncation_covariance(rows.T @ rows, amounts, ("tails", "ink"))
    own = [7, 8]
    rest = [k for k in range(12) if k not in own]
    expected = np.zeros((6, 6))
    sigma = np.sqrt(np.diag(np.linalg.inv(rows.T @ rows)))[own]
    for k, amount, s, kind in zip(own, amounts, sigma, ("tails", "ink"), strict=True):
        pulled = rows[:, k] * np.sqrt(amount**2 - s**2)
        way = TRUNCATED[kind] * np.linalg.lstsq(rows[:, rest], pulled, rcond=None)[0][:6]
        expected += np.outer(way, way)
    assert_allclose(found, expected, rtol=1e-8)
    assert_allclose(truncation_covariance(rows.T @ rows, np.empty(0), ()), 0.0)


def test_a_curve_is_asked_for_only_where_one_is_fitted():
    assert kinds_left(("ink",), curved=False) == ("ellipse", "skew", "tails")
    assert kinds_left((), curved=True) == KINDS
    assert kinds_left(("tails",), curved=True) == ("ellipse", "skew", "ink")


def test_a_kinds_amounts_begin_after_those_before_it():
    assert place_of("ink", ("ellipse", "skew", "ink")) == 6
    assert place_of("ink", ("ellipse",)) is None
