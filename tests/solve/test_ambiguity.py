"""The two-fold ambiguity: flagged where the answer is a toss of a coin, and only there."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import least_squares

from bench.detect.detection import Detection, Found
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import angle_between, exp_rotvec
from bench.geometry.viewing import View, mirrored_normal, pose_of_view
from bench.solve.ambiguity import (
    ODDS,
    THRESHOLD,
    Modes,
    compare_modes,
    mirrored_fit,
    spread_over_modes,
)
from bench.solve.estimate import Estimate, Outcome
from bench.solve.ippe import IppeLmSolver
from bench.solve.points import planar_points
from bench.solve.refine import Fit, refine
from bench.typing import Array

TOWER = Camera(4000, 3000, 3000.0, 3000.0, 2000.0, 1500.0)
SIGMA = 0.1


def trials(
    solve: Callable[..., Estimate], square: Array, size_px: float, tilt_deg: float, n: int
) -> tuple[Pose, list[Estimate]]:
    """Return the true pose and n estimates from corners with noise of SIGMA."""
    view = View(TOWER.fx * 0.2 / size_px, np.deg2rad(tilt_deg), 0.0, 0.3, (2300.0, 1600.0))
    pose = pose_of_view(view, TOWER)
    pixels = project(square, pose, TOWER)
    rng = np.random.default_rng([int(size_px), int(tilt_deg)])
    noise = rng.normal(0.0, SIGMA, (n, 4, 2))
    return pose, [solve(IppeLmSolver(), square, pixels + e, TOWER, SIGMA) for e in noise]


def on_the_wrong_side(pose: Pose, estimate: Estimate) -> bool:
    assert estimate.T_camera_target_est is not None
    normal = estimate.T_camera_target_est.rotation[:, 2]
    to_mirrored = angle_between(normal, mirrored_normal(pose))
    return to_mirrored < angle_between(normal, pose.rotation[:, 2])


def count(estimates: list[Estimate], outcome: Outcome) -> int:
    return sum(estimate.outcome is outcome for estimate in estimates)


def test_weights_are_the_odds() -> None:
    assert Modes(0.0, 0.0).second_weight == pytest.approx(0.5)
    # at the threshold, 1 in 20
    assert Modes(THRESHOLD, 0.0).second_weight == pytest.approx(1.0 / (1.0 + ODDS))
    assert Modes(1e6, 0.0).second_weight < 1e-300


def test_ambiguous_needs_near_odds_and_a_ridge() -> None:
    assert Modes(delta=1.0, ridge=100.0).ambiguous
    assert not Modes(delta=1.0, ridge=1.0).ambiguous
    assert not Modes(delta=100.0, ridge=200.0).ambiguous
    # a solver that chose the worse branch beyond doubt isn't ambiguous, it is wrong
    assert not Modes(delta=-100.0, ridge=100.0).ambiguous


def test_a_small_tilted_marker_is_ambiguous(
    square: Array, solve_for: Callable[..., Estimate]
) -> None:
    _, estimates = trials(solve_for, square, size_px=20, tilt_deg=30, n=100)
    assert count(estimates, Outcome.AMBIGUOUS) >= 95
    for estimate in estimates:
        assert estimate.T_camera_target_est is not None
        assert estimate.runner_up is not None


def test_a_large_tilted_marker_is_not(square: Array, solve_for: Callable[..., Estimate]) -> None:
    pose, estimates = trials(solve_for, square, size_px=150, tilt_deg=30, n=100)
    assert count(estimates, Outcome.OK) == 100
    assert not any(on_the_wrong_side(pose, estimate) for estimate in estimates)


@pytest.mark.parametrize("size_px", [40, 80])
def test_few_face_on_markers_are_called_ambiguous(
    size_px: float, square: Array, solve_for: Callable[..., Estimate]
) -> None:
    # Face-on, the pose between the two minima is the truth but for noise: its excess squared
    # error is about chi-square with the 2 degrees of freedom that it holds, over the
    # threshold in exp(-ln 19) = 5.3 % (Wilks); the two minima being free to choose the best
    # of either side, allow twice that.
    n = 300
    _, estimates = trials(solve_for, square, size_px, tilt_deg=0, n=n)
    assert count(estimates, Outcome.AMBIGUOUS) <= stats.binom(n, 2.0 / (ODDS + 1.0)).ppf(0.9999)


@pytest.mark.parametrize(("size_px", "tilt_deg"), [(40, 30), (40, 50), (80, 15)])
def test_an_answer_that_is_not_ambiguous_is_seldom_mirrored(
    size_px: float, tilt_deg: float, square: Array, solve_for: Callable[..., Estimate]
) -> None:
    pose, estimates = trials(solve_for, square, size_px, tilt_deg, n=300)
    sure = [estimate for estimate in estimates if estimate.outcome is Outcome.OK]
    wrong = sum(on_the_wrong_side(pose, estimate) for estimate in sure)
    # odds of 19 and better: at most 1 in 20 wrong, on average over the odds far fewer
    assert len(sure) > 100
    assert wrong <= stats.binom(len(sure), 1.0 / (ODDS + 1.0)).ppf(0.9999)


@pytest.mark.slow
def test_odds_are_calibrated(square: Array, solve_for: Callable[..., Estimate]) -> None:
    # among all answers, those whose stated probability of the other branch is w are on the
    # wrong side in a share w: the sum of w predicts the number of wrong ones
    pose, estimates = trials(solve_for, square, size_px=40, tilt_deg=30, n=600)
    delta = [
        4.0 * (e.runner_up_rmse_px**2 - e.rmse_px**2) / SIGMA**2
        for e in estimates
        if e.runner_up is not None
    ]
    weights = np.array([Modes(value, 0.0).second_weight for value in delta])
    wrong = sum(on_the_wrong_side(pose, estimate) for estimate in estimates)
    spread = np.sqrt(np.sum(weights * (1.0 - weights)))
    assert len(delta) == 600
    assert abs(wrong - weights.sum()) < 4.0 * spread
    assert weights.sum() > 5.0 * spread  # or none wrong would pass


def test_face_on_covariance_spans_the_basin(
    square: Array, solve_for: Callable[..., Estimate]
) -> None:
    pose, estimates = trials(solve_for, square, size_px=40, tilt_deg=0, n=300)
    sure = [estimate for estimate in estimates if estimate.outcome is Outcome.OK]
    covered = 0
    for estimate in sure:
        assert estimate.T_camera_target_est is not None
        assert estimate.covariance is not None
        error = (estimate.T_camera_target_est.rotation.T @ pose.rotation)[:2, 2]
        tilt = np.array([-error[1], error[0]])  # small rotation about x and y, radians
        squared = tilt @ np.linalg.solve(estimate.covariance[:2, :2], tilt)
        covered += squared < stats.chi2(2).ppf(0.95)
    # the truth lies within the 95 % region at least 95 % of the time, within counting noise;
    # linearised at the minimum alone, it does in about half of the cases
    assert covered >= stats.binom(len(sure), 0.95).ppf(0.001)


def test_spread_is_zero_for_one_minimum() -> None:
    fit = Fit(np.eye(3), np.array([0.0, 0.0, 3.0]), 0.01)
    assert np.array_equal(spread_over_modes(np.eye(6), fit, fit, 0.5), np.eye(6))


def test_odds_know_what_corners_are_off_by_together(square: Array) -> None:
    """Least χ² under correlated errors, by scipy's least squares from either minimum."""
    rng = np.random.default_rng(12)
    view = View(TOWER.fx * 0.2 / 40.0, 0.5, 0.0, 0.3, (2300.0, 1600.0))
    pose = pose_of_view(view, TOWER)
    pixels = project(square, pose, TOWER) + rng.normal(0.0, SIGMA, (4, 2))
    points = planar_points(Detection(Found.FOUND, pixels, square), TOWER)
    assert points is not None
    first = refine(pose.rotation, pose.translation, points, TOWER)
    second = mirrored_fit(first, points, TOWER)
    pattern = rng.normal(0.0, 3.0 * SIGMA, (1, 8))
    whole = SIGMA**2 * np.eye(8) + pattern.T @ pattern
    modes = compare_modes(first, second, points, TOWER, whole)
    root = np.linalg.cholesky(np.linalg.inv(whole))

    def least(fit: Fit) -> float:
        def whitened(step: Array) -> Array:
            moved = Pose(fit.rotation @ exp_rotvec(step[:3]), fit.translation + step[3:])
            return np.asarray(root.T @ (pixels - project(square, moved, TOWER)).ravel())

        return 2.0 * float(least_squares(whitened, np.zeros(6), x_scale="jac").cost)

    # one Gauss-Newton step against all of them
    assert modes.delta == pytest.approx(least(second) - least(first), rel=0.05, abs=0.05)
