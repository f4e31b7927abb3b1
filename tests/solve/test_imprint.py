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
from bench.solve.imprint import (
    KINDS,
    TRUNCATED,
    hints,
    kinds_left,
    kinds_shown,
    truncation_covariance,
)
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


def test_clean_pictures_show_nothing_as_a_rule_and_lose_nothing():
    rng = np.random.default_rng(3)
    shown = 0
    for _ in range(10):
        estimate = solve(Shot(), rng)
        assert estimate.outcome is Outcome.OK
        shown += "+" in estimate.light
    # five kinds, one in a hundred each: 3 or more of 10 once in a hundred times
    assert shown < 3


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


def lines(rng, effect, agree, count=30, own=4):
    """Lines' equations of `own` parameters and a kind of one column with an effect."""
    parts, pulls = [], []
    for k in range(count):
        rows = rng.normal(size=(50, own + 1))
        sign = 1.0 if agree or k % 2 else -1.0
        residual = sign * effect * rows[:, own] + rng.normal(size=50)
        parts.append(rows.T @ rows)
        pulls.append(rows.T @ residual)
    return np.array(parts), np.array(pulls)


def test_a_kind_is_shown_where_lines_agree_and_not_where_they_do_not():
    rng = np.random.default_rng(5)
    assert kinds_shown(*lines(rng, 0.3, True), ("ink",), 1500.0, 1500.0, 1) == ("ink",)
    assert kinds_shown(*lines(rng, 0.3, False), ("ink",), 1500.0, 1500.0, 1) == ()
    # what is left on boundaries is so much that chance would do it
    assert kinds_shown(*lines(rng, 0.08, True), ("ink",), 4e4, 1500.0, 1) == ()


def test_hints_ask_by_noise_alone():
    rng = np.random.default_rng(6)
    known, columns = rng.normal(size=(2000, 3)), rng.normal(size=(2000, 1))
    noise, weights = rng.normal(size=2000), np.ones(2000)
    whole = known.T @ known

    def left(effect):
        residual = noise + effect * columns[:, 0]
        return residual - known @ np.linalg.lstsq(known, residual, rcond=None)[0]

    assert not hints(whole, known, columns, weights, left(0.0), ("ink",))
    # 0.15 times √2000 is seven standard deviations
    assert hints(whole, known, columns, weights, left(0.15), ("ink",))


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
