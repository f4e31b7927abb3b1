"""Covariances: general identities, and Monte Carlo for poses."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from bench.errors import ConfigError
from bench.geometry.camera import Camera, project
from bench.geometry.rotation import log_rotation
from bench.geometry.viewing import View, pose_of_view
from bench.solve.covariance import (
    covariance_of_rows,
    in_facing_frame,
    least_squares_covariance,
    noise_variance,
    pose_covariance,
    propagate,
)
from bench.solve.estimate import Estimate, Outcome
from bench.solve.ippe import IppeLmSolver
from bench.typing import Array


def test_the_three_ways_to_state_the_noise_agree() -> None:
    jacobian = np.random.default_rng(0).normal(size=(9, 3))
    by_scalar = least_squares_covariance(jacobian, 0.3)
    # rounding of a well-conditioned 9 x 3 problem
    assert_allclose(by_scalar, 0.09 * np.linalg.inv(jacobian.T @ jacobian), rtol=1e-12)
    assert_allclose(least_squares_covariance(jacobian, np.full(9, 0.3)), by_scalar, rtol=1e-12)
    assert_allclose(least_squares_covariance(jacobian, 0.09 * np.eye(9)), by_scalar, rtol=1e-12)


def test_correlated_observations_are_weighted_by_their_inverse_covariance() -> None:
    rng = np.random.default_rng(1)
    jacobian, root = rng.normal(size=(6, 2)), rng.normal(size=(6, 6))
    noise = root @ root.T + np.eye(6)
    expected = np.linalg.inv(jacobian.T @ np.linalg.inv(noise) @ jacobian)
    # the condition of `noise`, under 100, times rounding
    assert_allclose(least_squares_covariance(jacobian, noise), expected, rtol=1e-11)


@pytest.mark.parametrize(
    "jacobian",
    [
        np.array([[1.0, 2.0], [2.0, 4.0], [3.0, 6.0]]),  # one direction twice
        np.array([[1.0, 0.0], [2.0, 0.0]]),  # a parameter without effect
        np.array([[1.0, 2.0]]),  # one observation of two parameters
        np.array([[1.0, np.nan], [0.0, 1.0]]),
    ],
)
def test_parameters_that_are_not_determined_raise(jacobian: Array) -> None:
    with pytest.raises(np.linalg.LinAlgError):
        least_squares_covariance(jacobian, 1.0)


def test_propagation_of_a_sum_counts_the_correlation_twice() -> None:
    covariance = np.array([[4.0, 1.5], [1.5, 9.0]])
    # var(x + y) = 4 + 9 + 2 * 1.5
    assert propagate(np.array([[1.0, 1.0]]), covariance) == pytest.approx(16.0)


def test_claimed_noise_stands_unless_the_residuals_refute_it() -> None:
    # chi-square with 2 degrees of freedom: 95 % below -2 ln 0.05
    limit = -2.0 * np.log(0.05)
    assert noise_variance(0.9 * limit * 0.01, 4, 0.1) == pytest.approx(0.01)
    assert noise_variance(3.0 * limit * 0.01, 4, 0.1) == pytest.approx(0.03)


def test_noise_of_many_points_is_their_mean_square() -> None:
    # 1000 points: χ²(1994, 95 %) is 1994 + 1.645 sqrt(2 * 1994) + ..., 5.3 % above the mean
    assert noise_variance(1994 * 0.09, 1000, 0.1) == pytest.approx(0.09, rel=0.06)


def test_noise_variance_overstates_a_right_claim_by_the_documented_two_percent() -> None:
    sse = stats.chi2(2).rvs(20_000, random_state=np.random.default_rng(3))
    mean = np.mean([noise_variance(value, 4, 1.0) for value in sse])
    # E max(1, x/L) with x exponential, mean 2, and L = -2 ln 0.05: 1 + 0.05 * 2/L = 1.0167;
    # its standard deviation is under 0.1, so that of the mean 7e-4: five of them
    assert abs(mean - 1.0167) < 0.0035


def test_facing_frame_turns_translation_only(lens: Camera, square: Array) -> None:
    pose = pose_of_view(View(7.0, 0.4, 0.2, 0.5, (2000.0, 400.0)), lens)
    covariance = pose_covariance(square, pose, lens, 0.1)
    facing = in_facing_frame(covariance, pose)
    assert_allclose(facing[:3, :3], covariance[:3, :3], rtol=1e-12)
    sight = pose.translation / np.linalg.norm(pose.translation)
    assert facing[5, 5] == pytest.approx(sight @ covariance[3:, 3:] @ sight, rel=1e-12)
    # positive along is away from the camera: its covariance with rotation has that sign
    moved = sight @ covariance[3:, :3]
    assert_allclose(facing[5, :3], moved, rtol=1e-10, atol=1e-20)
    assert np.trace(facing) == pytest.approx(np.trace(covariance), rel=1e-12)


@pytest.mark.parametrize("shape", ["square", "grid"])
def test_pose_covariance_matches_monte_carlo(
    shape: str,
    lens: Camera,
    request: pytest.FixtureRequest,
    solve_for: Callable[..., Estimate],
) -> None:
    p_target: Array = request.getfixturevalue(shape)
    sigma, n = 0.1, 300
    pose = pose_of_view(View(4.0, 0.5, -0.35, 0.6, (1600.0, 800.0)), lens)
    pixels = project(p_target, pose, lens)
    covariance = pose_covariance(p_target, pose, lens, sigma)
    rng = np.random.default_rng(4)
    errors = np.empty((n, 6))
    for i in range(n):
        noisy = pixels + rng.normal(0.0, sigma, pixels.shape)
        estimate = solve_for(IppeLmSolver(), p_target, noisy, lens, sigma)
        assert estimate.outcome is Outcome.OK
        found = estimate.T_camera_target_est
        assert found is not None
        errors[i, :3] = log_rotation(pose.rotation.T @ found.rotation)
        errors[i, 3:] = found.translation - pose.translation
    # eᵀ Σ⁻¹ e sums to chi-square with 6 n degrees of freedom where the linearisation holds:
    # here sigma/tilt is 0.003, which changes variances by its square
    nees = np.einsum("ni,ij,nj->n", errors, np.linalg.inv(covariance), errors)
    low, high = stats.chi2(6 * n).ppf([5e-5, 1.0 - 5e-5])
    assert low < nees.sum() < high
    # and each component by itself
    low, high = stats.chi2(n).ppf([5e-5, 1.0 - 5e-5])
    ratios = np.sum(errors**2, axis=0) / np.diag(covariance)
    assert np.all((low < ratios) & (ratios < high))


def test_estimates_claim_this_covariance(
    lens: Camera, square: Array, solve_for: Callable[..., Estimate]
) -> None:
    pose = pose_of_view(View(4.0, 0.5, -0.35, 0.6), lens)
    estimate = solve_for(IppeLmSolver(), square, project(square, pose, lens), lens, 0.2)
    # points are exact, so that the claim stands; the pose agrees to 1e-11
    expected = pose_covariance(square, pose, lens, 0.2)
    assert estimate.covariance is not None
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    assert_allclose(estimate.covariance / scale, expected / scale, atol=1e-8)


@pytest.mark.parametrize("up", [(0.0, -1.0, 0.0), (0.03, -0.99, 0.13)])
def test_a_direction_s_covariance_is_one_though_its_own_turn_is_known(
    up: tuple[float, float, float],
) -> None:
    axis = np.array(up) / np.linalg.norm(up)
    aside = np.eye(3) - np.outer(axis, axis)
    rows = (1e-8 * aside).tolist()
    assert_allclose(covariance_of_rows(rows, 3, "level", singular=True), rows)
    for wrong in ((np.array(rows) - 1e-9 * np.eye(3)).tolist(), [[1.0]], [[np.nan] * 3] * 3):
        with pytest.raises(ConfigError, match="level must be a covariance"):
            covariance_of_rows(wrong, 3, "level", singular=True)
    with pytest.raises(ConfigError, match="level must be a covariance"):
        covariance_of_rows(np.diag([1.0, 1.0, 0.0]).tolist(), 3, "level")
