"""What all PnP solvers hold: exact points, bad points, outcomes, nothing modified."""

from collections.abc import Callable
from itertools import permutations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import log_rotation, rotation_y
from bench.geometry.viewing import View, mirrored_normal, pose_of_view
from bench.imaging.picture import Picture
from bench.solve.conclude import MAX_MISFIT
from bench.solve.covariance import pose_covariance
from bench.solve.estimate import Estimate, Outcome, Solver
from bench.solve.ippe import IppeLmSolver, IppeSolver
from bench.solve.opencv import EpnpSolver, IterativeSolver, SqpnpSolver
from bench.targets.design import MarkerDesign, build_target
from bench.typing import Array

SOLVERS: list[Solver] = [
    IppeSolver(),
    IppeLmSolver(),
    SqpnpSolver(),
    EpnpSolver(),
    IterativeSolver(),
]
TRUSTED = [solver for solver in SOLVERS if solver.name != "epnp"]
every_solver = pytest.mark.parametrize("solver", SOLVERS, ids=lambda s: s.name)
trusted_solver = pytest.mark.parametrize("solver", TRUSTED, ids=lambda s: s.name)

LENS = Camera(2448, 2048, 3010.0, 2990.0, 1230.0, 1015.0, (-0.11, 0.06, 8e-4, -6e-4, -0.01))
SQUARE = 0.1 * np.array([[-1.0, 1, 0], [1, 1, 0], [1, -1, 0], [-1, -1, 0]])


TARGET = build_target(MarkerDesign())


@every_solver
def test_solvers_follow_the_protocol(solver: Solver) -> None:
    assert isinstance(solver, Solver)


@trusted_solver
@pytest.mark.parametrize("shape", ["square", "grid"])
def test_exact_points_give_back_the_pose(
    solver: Solver,
    shape: str,
    request: pytest.FixtureRequest,
    solve_for: Callable[..., Estimate],
) -> None:
    p_target: Array = request.getfixturevalue(shape)
    rng = np.random.default_rng(7)
    for _ in range(30):
        turn, pitch = rng.uniform(0.2, 1.2, 2) * rng.choice([-1, 1], 2)
        pixel = tuple(rng.uniform((400, 400), (2000, 1600)))
        pose = pose_of_view(View(rng.uniform(1, 10), turn, pitch, rng.uniform(-3, 3), pixel), LENS)
        found = solve_for(solver, p_target, project(p_target, pose, LENS), LENS)
        assert found.T_camera_target_est is not None
        error = np.concatenate(
            (
                log_rotation(pose.rotation.T @ found.T_camera_target_est.rotation),
                found.T_camera_target_est.translation - pose.translation,
            )
        )
        # Off by less than corner noise would make it, one standard deviation: of 1e-8 px for
        # the closed form (rounding of pixels, 5e-13 px, times its conditioning) and its
        # refinement; of 1e-3 px, under anything a detector attains, for OpenCV's iterations,
        # which stop at float's precision.
        sigma_px = 1e-8 if isinstance(solver, IppeSolver | IppeLmSolver) else 1e-3
        covariance = pose_covariance(p_target, pose, LENS, sigma_px)
        assert error @ np.linalg.solve(covariance, error) < 1.0


def test_epnp_on_a_plane_is_weak_and_shown_as_it_is(solve_for: Callable[..., Estimate]) -> None:
    # known of EPnP: a plane leaves one of its control points undetermined. What comes out
    # wrong by more than noise can explain must not pass as OK.
    rng = np.random.default_rng(8)
    outcomes, errors = [], []
    for _ in range(100):
        turn, pitch, roll = rng.uniform(-1.0, 1.0, 3)
        pose = pose_of_view(View(rng.uniform(1, 10), turn, pitch, roll), LENS)
        found = solve_for(EpnpSolver(), SQUARE, project(SQUARE, pose, LENS), LENS)
        outcomes.append(found.outcome)
        if found.T_camera_target_est is not None:
            errors.append(log_rotation(pose.rotation.T @ found.T_camera_target_est.rotation))
            spread_px = np.std(project(SQUARE, pose, LENS), axis=0)
            assert found.rmse_px <= MAX_MISFIT * np.linalg.norm(spread_px) * (1.0 + 1e-9)
    assert outcomes.count(Outcome.NOT_FINITE) > 0
    # half of the rest is exact, as it should be without noise
    assert np.median(np.linalg.norm(errors, axis=1)) < 1e-6


@given(
    range_m=st.floats(0.8, 15.0),
    turn=st.floats(-1.3, 1.3),
    pitch=st.floats(-1.0, 1.0),
    roll=st.floats(-3.1, 3.1),
)
def test_refined_ippe_fits_exact_corners_exactly(
    range_m: float, turn: float, pitch: float, roll: float
) -> None:
    pose = pose_of_view(View(range_m, turn, pitch, roll), LENS)
    pixels = project(SQUARE, pose, LENS)
    observation = Observation(Picture(np.zeros((2, 2), np.uint8)), LENS, TARGET)
    estimate = IppeLmSolver().solve(Detection(Found.FOUND, pixels, SQUARE), observation)
    # the stopping rule's 1e-10 px, above rounding
    assert estimate.rmse_px < 1e-9


@every_solver
def test_what_was_not_found_stays_not_found(solver: Solver) -> None:
    observation = Observation(Picture(np.zeros((2, 2), np.uint8)), LENS, TARGET)
    assert solver.solve(Detection(Found.MISSED), observation).outcome is Outcome.MISSED
    assert solver.solve(Detection(Found.WRONG_ID), observation).outcome is Outcome.WRONG_ID


def collinear(pixels: Array) -> Array:
    return pixels[0] + np.outer(np.arange(len(pixels)), pixels[1] - pixels[0])


VIEWED = pose_of_view(View(4.0, 0.4, 0.2), LENS)
THREE_IN_LINE = np.array([[-0.1, 0.1, 0], [0, 0, 0], [0.1, -0.1, 0], [-0.1, -0.1, 0]])
DEGENERATE = {
    "three points": (SQUARE[:3], lambda pixels: pixels[:3]),
    "no points": (SQUARE[:0], lambda pixels: pixels[:0]),
    "collinear pixels": (SQUARE, collinear),
    "collinear target": (np.outer(np.arange(4.0), [0.1, 0.05, 0.0]), lambda pixels: pixels),
    "one pixel four times": (SQUARE, lambda pixels: np.tile(pixels[0], (4, 1))),
    "a corner twice": (SQUARE[[0, 1, 2, 2]], lambda pixels: pixels[[0, 1, 2, 2]]),
    "two corners at one pixel": (SQUARE, lambda pixels: pixels[[0, 1, 2, 2]]),
    "three of four on a line": (THREE_IN_LINE, lambda _: project(THREE_IN_LINE, VIEWED, LENS)),
    "not a number": (SQUARE, lambda pixels: np.where(pixels == pixels[0, 0], np.nan, pixels)),
    "infinite": (SQUARE, lambda pixels: np.where(pixels == pixels[0, 0], np.inf, pixels)),
    "beyond the lens model": (SQUARE, lambda pixels: pixels + 1e5),
}


@every_solver
@pytest.mark.parametrize("case", DEGENERATE)
def test_degenerate_points_are_an_outcome(
    solver: Solver, case: str, solve_for: Callable[..., Estimate]
) -> None:
    p_target, spoil = DEGENERATE[case]
    pixels = spoil(project(SQUARE, VIEWED, LENS))
    estimate = solve_for(solver, p_target, pixels, LENS)
    assert estimate.outcome is Outcome.NOT_FINITE
    assert estimate.T_camera_target_est is None
    assert np.isnan(estimate.rmse_px)


@every_solver
def test_corners_in_the_wrong_order_are_not_ok(
    solver: Solver, solve_for: Callable[..., Estimate]
) -> None:
    # the four orders that a square can't tell apart are its rotations
    rotations = {(0, 1, 2, 3), (1, 2, 3, 0), (2, 3, 0, 1), (3, 0, 1, 2)}
    rng = np.random.default_rng(9)
    for order in set(permutations(range(4))) - rotations:
        turn, pitch, roll = rng.uniform(-1.0, 1.0, 3)
        pose = pose_of_view(View(rng.uniform(1, 12), turn, pitch, roll), LENS)
        pixels = project(SQUARE, pose, LENS)[list(order)]
        assert solve_for(solver, SQUARE, pixels, LENS).outcome is Outcome.NOT_FINITE


@every_solver
def test_the_back_of_a_target_is_not_ok(
    solver: Solver, solve_for: Callable[..., Estimate]
) -> None:
    pose = pose_of_view(View(4.0, 0.4, 0.3), LENS)
    from_behind = Pose(pose.rotation @ rotation_y(np.pi), pose.translation)
    pixels = project(SQUARE, from_behind, LENS)
    assert solve_for(solver, SQUARE, pixels, LENS).outcome is Outcome.NOT_FINITE


@every_solver
def test_all_points_lie_before_the_camera(
    solver: Solver, solve_for: Callable[..., Estimate]
) -> None:
    # close, wide and steep, where a mirrored or negative-depth answer is nearest
    rng = np.random.default_rng(10)
    wide = Camera(2000, 2000, 700.0, 700.0, 1000.0, 1000.0)
    for _ in range(50):
        turn, pitch, roll = rng.uniform(-1.2, 1.2, 3)
        pose = pose_of_view(View(rng.uniform(0.25, 0.6), turn, pitch, roll), wide)
        pixels = project(SQUARE, pose, wide) + rng.normal(0.0, 0.5, (4, 2))
        estimate = solve_for(solver, SQUARE, pixels, wide, 0.5)
        for found in (estimate.T_camera_target_est, estimate.runner_up):
            if found is not None:
                assert np.all((found @ SQUARE)[:, 2] > 0.0)
                assert found.rotation[:, 2] @ found.translation < 0.0


@every_solver
def test_an_error_raised_by_opencv_is_an_outcome(
    solver: Solver, solve_for: Callable[..., Estimate], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise cv2.error("no solution")

    monkeypatch.setattr(cv2, "solvePnP", fail)
    pose = pose_of_view(View(4.0, 0.4, 0.3), LENS)
    estimate = solve_for(solver, SQUARE, project(SQUARE, pose, LENS), LENS)
    expected = Outcome.OK if isinstance(solver, IppeSolver | IppeLmSolver) else Outcome.NOT_FINITE
    assert estimate.outcome is expected


@trusted_solver
def test_the_runner_up_is_the_mirrored_pose(
    solver: Solver, solve_for: Callable[..., Estimate]
) -> None:
    pose = pose_of_view(View(8.0, 0.5, 0.2), LENS)
    estimate = solve_for(solver, SQUARE, project(SQUARE, pose, LENS), LENS)
    assert estimate.runner_up is not None
    cosine = estimate.runner_up.rotation[:, 2] @ mirrored_normal(pose)
    # weak perspective but for 0.1/8 of depth over the marker
    assert cosine > np.cos(0.03)
    assert estimate.runner_up_rmse_px > estimate.rmse_px


@every_solver
def test_solving_twice_gives_the_same_and_changes_nothing(
    solver: Solver, solve_for: Callable[..., Estimate]
) -> None:
    rng = np.random.default_rng(11)
    pose = pose_of_view(View(4.0, 0.4, 0.3), LENS)
    pixels = project(SQUARE, pose, LENS) + rng.normal(0.0, 0.05, (4, 2))
    kept_pixels, kept_target = pixels.copy(), SQUARE.copy()
    pixels.setflags(write=False)
    first = solve_for(solver, SQUARE, pixels, LENS)
    other = solve_for(solver, SQUARE, np.asfortranarray(pixels), LENS)
    assert_allclose(pixels, kept_pixels, rtol=0)
    assert_allclose(kept_target, SQUARE, rtol=0)
    assert first.outcome is other.outcome
    if first.T_camera_target_est is not None and other.T_camera_target_est is not None:
        assert np.array_equal(first.T_camera_target_est.matrix, other.T_camera_target_est.matrix)
        assert first.covariance is not None
        assert other.covariance is not None
        assert np.array_equal(first.covariance, other.covariance)
