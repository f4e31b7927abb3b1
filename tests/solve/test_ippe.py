"""IPPE: both solutions, exact at zero tilt, equal to OpenCV's where OpenCV's is right."""

from collections.abc import Callable

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from bench.detect.detection import Detection, Found
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import angle_between, log_rotation, rotation_z
from bench.geometry.viewing import View, mirrored_normal, pose_of_view
from bench.solve.estimate import Estimate, Outcome
from bench.solve.ippe import IppeLmSolver, IppeSolver, ippe_poses
from bench.solve.points import planar_points
from bench.typing import Array

TOWER = Camera(4000, 3000, 3000.0, 3000.0, 2000.0, 1500.0)
SQUARE = 0.1 * np.array([[-1.0, 1, 0], [1, 1, 0], [1, -1, 0], [-1, -1, 0]])


def poses_of(p_target: Array, pixels: Array, camera: Camera) -> list[tuple[Array, Array]]:
    points = planar_points(Detection(Found.FOUND, pixels, p_target), camera)
    assert points is not None
    return ippe_poses(points)


@pytest.mark.parametrize("solver", [IppeSolver(), IppeLmSolver()], ids=lambda s: s.name)
@pytest.mark.parametrize("pixel", [(2000.0, 1500.0), (2300.0, 1600.0), (3500.0, 300.0)])
@pytest.mark.parametrize("parallel", [False, True], ids=["to the ray", "to the sensor"])
def test_zero_tilt_gives_the_pose(
    solver: IppeSolver | IppeLmSolver,
    pixel: tuple[float, float],
    parallel: bool,
    solve_for: Callable[..., Estimate],
) -> None:
    # OpenCV 5.0.0 answers many of these with success and NaN, or a pose up to 180 degrees off
    for range_m in (1.0, 1.5, 2.0, 5.0, 11.0, 18.0):
        for roll_deg in (0, 30, 45, 90, 180, 270):
            roll = np.deg2rad(roll_deg)
            pose = pose_of_view(View(range_m, 0.0, 0.0, roll, pixel), TOWER)
            if parallel:
                pose = Pose(np.diag([1.0, -1.0, -1.0]) @ rotation_z(roll), pose.translation)
            found = solve_for(solver, SQUARE, project(SQUARE, pose, TOWER), TOWER)
            assert found.T_camera_target_est is not None
            error = log_rotation(pose.rotation.T @ found.T_camera_target_est.rotation)
            # pixels round at 3500 px * 2e-16; relative to the marker's size, that is by how
            # much cos(tilt) is off; a few such roundings
            size_px = TOWER.fx * 0.2 / range_m
            tolerance = np.sqrt(2.0 * 10.0 * 3500.0 * 2.2e-16 / size_px)
            assert np.linalg.norm(error) < tolerance
            # a small tilt moves each corner by f s²/(4 Z²) px/rad in u, and in v
            assert found.rmse_px < np.sqrt(2.0) * size_px**2 / (4.0 * TOWER.fx) * tolerance


def test_both_solutions_agree_with_opencv_away_from_its_traps() -> None:
    rng = np.random.default_rng(5)
    # a frame in which neither solution comes near no rotation or a half turn, and with z into
    # the face: there OpenCV's IPPE is right
    turn = rotation_z(np.pi / 3) @ np.diag([1.0, -1.0, -1.0])
    for _ in range(100):
        turning, pitch = rng.uniform(0.2, 1.1, 2) * rng.choice([-1, 1], 2)
        pixel = tuple(rng.uniform((300, 300), (3700, 2700)))
        pose = pose_of_view(View(rng.uniform(1, 15), turning, pitch, 0.0, pixel), TOWER)
        pixels = project(SQUARE, pose, TOWER) + rng.normal(0.0, 0.1, (4, 2))
        _, rotvecs, translations, _ = cv2.solvePnPGeneric(
            SQUARE @ turn.T, pixels, TOWER.matrix, None, flags=cv2.SOLVEPNP_IPPE
        )
        theirs = [
            (cv2.Rodrigues(r)[0] @ turn, t.ravel())
            for r, t in zip(rotvecs, translations, strict=True)
        ]
        ours = poses_of(SQUARE, pixels, TOWER)
        # two codes, some hundred roundings each, of a problem whose condition is up to the
        # ratio of range to size, 75: 1e2 * 2e-16 * 75 * a margin of 50
        for rotation, translation in ours:
            nearest = min(theirs, key=lambda pair: np.abs(pair[0] - rotation).max())
            assert_allclose(rotation, nearest[0], atol=1e-10)
            assert_allclose(translation, nearest[1], atol=1e-10 * np.linalg.norm(translation))


def test_second_solution_is_near_the_mirrored_normal() -> None:
    pose = pose_of_view(View(10.0, 0.6, -0.3, 0.2, (2600.0, 900.0)), TOWER)
    normals = [r[:, 2] for r, _ in poses_of(SQUARE, project(SQUARE, pose, TOWER), TOWER)]
    off = sorted(angle_between(normal, mirrored_normal(pose)) for normal in normals)
    # mirrored exactly under weak perspective; depth varies by 0.1/10 over the marker, which
    # turns the second normal by about that much
    assert off[0] < 0.02
    assert off[1] > 1.0


@given(
    range_m=st.floats(0.6, 20.0),
    turn=st.floats(-1.4, 1.4),
    pitch=st.floats(-1.2, 1.2),
    roll=st.floats(-3.2, 3.2),
    u=st.floats(400.0, 3600.0),
    v=st.floats(400.0, 2600.0),
)
def test_exact_corners_give_back_any_pose(
    range_m: float, turn: float, pitch: float, roll: float, u: float, v: float
) -> None:
    pose = pose_of_view(View(range_m, turn, pitch, roll, (u, v)), TOWER)
    found = poses_of(SQUARE, project(SQUARE, pose, TOWER), TOWER)
    off = min(np.linalg.norm(log_rotation(pose.rotation.T @ r)) for r, _ in found)
    # as at zero tilt, the worst case: tilt from the cosine of a tilt, good to the square root
    # of the pixels' rounding relative to the marker's size
    assert off < np.sqrt(2.0 * 10.0 * 4000.0 * 2.2e-16 / (TOWER.fx * 0.2 / range_m))


def test_refined_solutions_rank_after_refinement(solve_for: Callable[..., Estimate]) -> None:
    rng = np.random.default_rng(6)
    pose = pose_of_view(View(9.0, 0.3, 0.1, 0.2), TOWER)
    pixels = project(SQUARE, pose, TOWER)
    for _ in range(50):
        noisy = pixels + rng.normal(0.0, 0.2, (4, 2))
        raw = solve_for(IppeSolver(), SQUARE, noisy, TOWER, 0.2)
        refined = solve_for(IppeLmSolver(), SQUARE, noisy, TOWER, 0.2)
        assert refined.rmse_px <= refined.runner_up_rmse_px
        assert refined.rmse_px <= raw.rmse_px + 1e-12
        assert raw.rmse_px <= raw.runner_up_rmse_px


def test_two_solutions_stay_in_the_estimate(solve_for: Callable[..., Estimate]) -> None:
    pose = pose_of_view(View(3.0, 0.5, 0.2), TOWER)
    estimate = solve_for(IppeSolver(), SQUARE, project(SQUARE, pose, TOWER), TOWER)
    assert estimate.outcome is Outcome.OK
    assert estimate.runner_up is not None
    assert estimate.runner_up_rmse_px > 10.0 * estimate.rmse_px
