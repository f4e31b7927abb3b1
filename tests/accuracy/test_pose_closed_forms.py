"""Pose uncertainty of a square tag against closed forms, and both against Monte Carlo.

A square of side s at range Z, on the optical axis of a camera of focal length f, noise σ in
each of the eight corner coordinates. Derived here from the pinhole model, u = f X/(Z + z):

- Range, face-on. Corners (±s/2, ±s/2): du/dZ = -f x/Z² and dv/dZ = -f y/Z², whose squares sum
  to 4 · f² (s²/2)/Z⁴. By symmetry the other parameters' columns are orthogonal to these, so
  σ_Z = σ Z²/(√2 f s).
- Range, tilted. The size along the tilt's axis alone tells the range, since foreshortening
  takes up the other: half the sum, σ_Z = σ Z²/(f s).
- Turn, face-on. A small turn ω gives depth -ω x: du = f x² ω/Z², the same for all four corners
  and taken up by translation, and dv = f x y ω/Z², ±f s² ω/(4 Z²):
  σ_ω = σ/√(4 · f² s⁴/(16 Z⁴)) = 2 σ Z²/(f s²).
- Turn, tilted by θ. cos θ is the ratio of two sizes, each known to σ relative to s f/Z (the
  foreshortened one to σ/(s f cos θ/Z) of itself): σ_θ = σ Z √(1 + cos² θ)/(f s sin θ).

The first and third are exact; the others leave out terms of (s/Z)² relative to what stands.
"""

from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from bench.geometry.camera import Camera, project
from bench.geometry.rotation import log_rotation
from bench.geometry.viewing import View, pose_of_view
from bench.solve.covariance import in_facing_frame, pose_covariance
from bench.solve.estimate import Estimate, Outcome
from bench.solve.ippe import IppeLmSolver
from bench.typing import Array

F, S = 3000.0, 0.2
CAMERA = Camera(4000, 3000, F, F, 2000.0, 1500.0)
SQUARE = 0.5 * S * np.array([[-1.0, 1, 0], [1, 1, 0], [1, -1, 0], [-1, -1, 0]])
TURN, ALONG = 1, 5  # rotation about the target's y; translation along the line of sight
# of a Monte Carlo interval, two-sided: with a dozen of them, one failure in a thousand seeds
RISK = 1e-4


def range_tilted(sigma: float, z: float) -> float:
    return sigma * z**2 / (F * S)


def range_face_on(sigma: float, z: float) -> float:
    return range_tilted(sigma, z) / np.sqrt(2.0)


def turn_face_on(sigma: float, z: float) -> float:
    return 2.0 * sigma * z**2 / (F * S**2)


def turn_tilted(sigma: float, z: float, tilt: float) -> float:
    return sigma * z * np.sqrt(1.0 + np.cos(tilt) ** 2) / (F * S * np.sin(tilt))


def analytic(sigma: float, z: float, tilt: float) -> Array:
    """Return the standard deviations (6,): rotation; right, up, along."""
    pose = pose_of_view(View(z, tilt), CAMERA)
    covariance = pose_covariance(SQUARE, pose, CAMERA, sigma)
    return np.sqrt(np.diag(in_facing_frame(covariance, pose)))


def monte_carlo(
    solve: Callable[..., Estimate], sigma: float, z: float, tilt: float, n: int, seed: int
) -> Array:
    """Return errors (n, 6) of refined poses; all must be OK, none on the other branch."""
    pose = pose_of_view(View(z, tilt), CAMERA)
    pixels = project(SQUARE, pose, CAMERA)
    noise = np.random.default_rng(seed).normal(0.0, sigma, (n, 4, 2))
    errors = []
    for e in noise:
        estimate = solve(IppeLmSolver(), SQUARE, pixels + e, CAMERA, sigma)
        found = estimate.T_camera_target_est
        if found is not None and estimate.outcome is Outcome.OK:
            rotation = log_rotation(pose.rotation.T @ found.rotation)
            errors.append(np.concatenate((rotation, found.translation - pose.translation)))
    return np.array(errors)


def interval(errors: Array, risk: float = RISK) -> tuple[float, float]:
    """Return the two-sided interval for the standard deviation of zero-mean Gaussian errors."""
    squares, n = float(np.sum(errors**2)), errors.size
    low, high = stats.chi2(n).ppf([1.0 - 0.5 * risk, 0.5 * risk])
    return float(np.sqrt(squares / low)), float(np.sqrt(squares / high))


@pytest.mark.parametrize("z", [1.0, 2.0, 5.0, 18.0, 50.0])
def test_face_on_closed_forms_are_exact(z: float) -> None:
    sigma = analytic(0.1, z, 0.0)
    # rounding, times the conditioning of range to size, 250, squared
    assert sigma[ALONG] == pytest.approx(range_face_on(0.1, z), rel=1e-10)
    assert sigma[:2] == pytest.approx(turn_face_on(0.1, z), rel=1e-10)


@pytest.mark.parametrize("tilt_deg", [15, 30, 50, 70])
@pytest.mark.parametrize(("index", "name"), [(ALONG, "range"), (TURN, "turn")])
def test_tilted_closed_forms_are_the_limit_of_small_targets(
    tilt_deg: float, index: int, name: str
) -> None:
    tilt = np.deg2rad(tilt_deg)

    def departure(z: float) -> float:
        form = range_tilted(0.1, z) if name == "range" else turn_tilted(0.1, z, tilt)
        return float(analytic(0.1, z, tilt)[index] / form - 1.0)

    # What is left out is of second order in x = s/(2 Z sin θ), the part that perspective plays
    # in telling the tilt beside foreshortening, and in s/Z, by which depth changes sizes: a
    # few such terms, so that each range is near the form, and four times nearer at twice the
    # range but for fourth order.
    def second_order(z: float) -> float:
        return float((S / (2.0 * z * np.sin(tilt))) ** 2 + (S / z) ** 2)

    for z in (5.0, 18.0):
        assert abs(departure(z)) < 3.0 * second_order(z)
    assert departure(10.0) / departure(20.0) == pytest.approx(4.0, rel=10.0 * second_order(10.0))


@pytest.mark.slow
@pytest.mark.parametrize("tilt_deg", [15, 30, 50])
def test_monte_carlo_agrees_when_tilted(
    tilt_deg: float, solve_for: Callable[..., Estimate]
) -> None:
    sigma, z, n, tilt = 0.1, 5.0, 400, np.deg2rad(tilt_deg)
    errors = monte_carlo(solve_for, sigma, z, tilt, n, seed=tilt_deg)
    assert len(errors) == n
    expected = analytic(sigma, z, tilt)
    # linearisation: σ_θ/tan θ is 0.02 at most, which enters squared; against 14 % of interval
    for index in (0, TURN, 2, ALONG):
        low, high = interval(errors[:, index])
        assert low < expected[index] < high
    low, high = interval(errors[:, ALONG])
    assert low < range_tilted(sigma, z) < high
    low, high = interval(errors[:, TURN])
    assert low < turn_tilted(sigma, z, tilt) < high


def test_monte_carlo_agrees_face_on_while_noise_is_small(
    solve_for: Callable[..., Estimate],
) -> None:
    z, n = 5.0, 1000
    sigma = 0.04 * (S / z) ** 2 * F / 1000.0  # under 0.05 of it
    errors = monte_carlo(solve_for, sigma, z, 0.0, n, seed=1)
    assert len(errors) == n
    low, high = interval(errors[:, :2])
    assert low < turn_face_on(sigma, z) < high
    low, high = interval(errors[:, ALONG])
    assert low < range_face_on(sigma, z) < high


@pytest.mark.parametrize(
    ("z", "formula_deg", "monte_carlo_deg"), [(5.0, 2.4, 2.0), (18.0, 31.0, 4.3)]
)
def test_face_on_formula_fails_where_noise_is_large(
    z: float, formula_deg: float, monte_carlo_deg: float, solve_for: Callable[..., Estimate]
) -> None:
    # foreshortening grows with the square of the tilt and bounds the error that the linear
    # formula lets grow without limit
    sigma, n = 0.1, 600
    formula = np.rad2deg(turn_face_on(sigma, z))
    assert formula == pytest.approx(formula_deg, abs=0.5 * (0.1 if formula_deg < 10 else 1.0))
    pose = pose_of_view(View(z), CAMERA)
    pixels = project(SQUARE, pose, CAMERA)
    noise = np.random.default_rng(int(z)).normal(0.0, sigma, (n, 4, 2))
    squares = []
    for e in noise:
        # ambiguous answers, too: which branch is no matter when the truth lies between
        found = solve_for(IppeLmSolver(), SQUARE, pixels + e, CAMERA, sigma).T_camera_target_est
        assert found is not None
        error = np.rad2deg(log_rotation(pose.rotation.T @ found.rotation))[:2]
        squares.append(np.mean(error**2))
    # errors aren't Gaussian here: interval of the mean square from its own scatter
    mean, spread = np.mean(squares), np.std(squares, ddof=1) / np.sqrt(n)
    reach = stats.norm.ppf(1.0 - 0.5 * RISK) * spread
    low, high = np.sqrt([mean - reach, mean + reach])
    assert high < formula
    assert low - 0.05 < monte_carlo_deg < high + 0.05  # 0.05: it is printed to 0.1
