import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.detect.detection import Detection, Found
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.geometry.rotation import rotation_x, rotation_y, rotation_z
from bench.geometry.viewing import View, facing_rotation, mirrored_normal, pose_of_view
from bench.solve.estimate import Estimate, Outcome
from bench.survey.columns import CASE_COLUMNS, names
from bench.survey.score import MIN_MIRROR_TILT_DEG, rotation_error, score, translation_error

CAMERA = Camera(2448, 2048, 3600.0, 3600.0, 1223.5, 1023.5)
FOUND = Detection(Found.FOUND, np.zeros((4, 2)), np.zeros((4, 3)))


def held(turn_deg: float = 30.0, pixel: tuple[float, float] = (400.0, 300.0)) -> Pose:
    view = View(5.0, math.radians(turn_deg), math.radians(4.0), math.radians(-7.0), pixel)
    return pose_of_view(view, CAMERA)


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_rotation_error_is_split_about_the_targets_own_axes(axis):
    T_true, angle = held(), math.radians(0.3)
    turned = (rotation_x, rotation_y, rotation_z)[axis](angle)
    error = rotation_error(T_true, Pose(T_true.rotation @ turned, T_true.translation))
    assert_allclose(error, angle * np.eye(3)[axis], atol=1e-14)


def test_translation_error_is_split_along_and_across_the_line_of_sight():
    T_true = held()
    distance = np.linalg.norm(T_true.translation)
    away = T_true.translation / distance
    farther = Pose(T_true.rotation, T_true.translation + 0.003 * away)
    assert_allclose(translation_error(T_true, farther), (0.0, 0.0, 0.003), atol=1e-14)
    # on the axis, right is the camera's x and up is its -y
    ahead = Pose(np.eye(3), np.array([0.0, 0.0, 4.0]))
    moved = Pose(np.eye(3), np.array([0.002, -0.001, 4.0]))
    assert_allclose(translation_error(ahead, moved), (0.002, 0.001, 0.0), atol=1e-14)


def test_a_perfect_estimate_has_no_error_and_repeats_the_view():
    T_true = held()
    row = score(T_true, FOUND, Estimate(Outcome.OK, T_true, None, 0.1))
    assert row["outcome"] == "ok"
    assert row["n_points"] == 4
    assert_allclose([row[n] for n in row if n.startswith("err_")], 0.0, atol=1e-9)
    assert_allclose(
        [row[f"{n}_est_deg"] for n in ("turn", "pitch", "roll")], (30.0, 4.0, -7.0), atol=1e-9
    )
    assert_allclose(row["range_est_m"], 5.0, rtol=1e-14)


def test_all_columns_of_a_row_are_documented():
    estimate = Estimate(Outcome.OK, held(), np.eye(6) * 1e-6, 0.1, held(), 0.4)
    assert set(score(held(), FOUND, estimate)) <= set(names(CASE_COLUMNS))


def flipped(T: Pose) -> Pose:
    """The pose with its normal mirrored about the line of sight, otherwise as near as can be."""
    n, m = T.rotation[:, 2], mirrored_normal(T)
    axis = np.cross(n, m)
    angle = math.atan2(np.linalg.norm(axis), n @ m)
    turn = Pose.from_rotvec(angle * axis / np.linalg.norm(axis), np.zeros(3))
    return Pose(turn.rotation @ T.rotation, T.translation)


def test_a_pose_on_the_other_branch_is_mirrored_and_keeps_its_errors():
    T_true = held(turn_deg=20.0)
    row = score(T_true, FOUND, Estimate(Outcome.OK, flipped(T_true)))
    assert row["outcome"] == "mirrored"
    # the two normals are twice the tilt apart, cos tilt = cos 20 cos 4
    tilt = math.degrees(math.acos(math.cos(math.radians(20)) * math.cos(math.radians(4))))
    assert_allclose(row["err_rot_deg"], 2 * tilt, atol=1e-9)


def test_near_face_on_there_is_no_branch_to_be_on():
    T_true = pose_of_view(View(5.0, math.radians(MIN_MIRROR_TILT_DEG - 0.1)), CAMERA)
    assert score(T_true, FOUND, Estimate(Outcome.OK, flipped(T_true)))["outcome"] == "ok"
    T_true = pose_of_view(View(5.0, math.radians(MIN_MIRROR_TILT_DEG + 0.1)), CAMERA)
    assert score(T_true, FOUND, Estimate(Outcome.OK, flipped(T_true)))["outcome"] == "mirrored"


def test_a_mirrored_case_is_off_by_more_than_its_tilt():
    # so that no tolerance below MIN_MIRROR_TILT_DEG could have forgiven it
    rng = np.random.default_rng(8)
    T_true = held(turn_deg=5.0)
    seen = set()
    for _ in range(300):
        tried = Pose(
            T_true.rotation @ Pose.from_rotvec(rng.normal(0, 0.1, 3), np.zeros(3)).rotation,
            T_true.translation,
        )
        row = score(T_true, FOUND, Estimate(Outcome.OK, tried))
        seen.add(row["outcome"])
        if row["outcome"] == "mirrored":
            assert row["err_rot_deg"] > MIN_MIRROR_TILT_DEG
    assert seen == {"ok", "mirrored"}


def test_a_gross_failure_without_a_pose_has_no_errors():
    for outcome in (Outcome.MISSED, Outcome.WRONG_ID, Outcome.NOT_FINITE):
        row = score(held(), Detection(Found.MISSED), Estimate(outcome))
        assert row == {"outcome": str(outcome), "n_points": 0}


def test_an_ambiguous_pose_stays_ambiguous_even_on_the_wrong_branch():
    T_true = held()
    row = score(T_true, FOUND, Estimate(Outcome.AMBIGUOUS, flipped(T_true)))
    assert row["outcome"] == "ambiguous"
    assert row["err_rot_deg"] > 30.0


def test_claimed_uncertainty_is_split_as_errors_are():
    T = held()
    right, up, away = facing_rotation(T.translation).T
    covariance = np.zeros((6, 6))
    covariance[:3, :3] = np.diag(np.radians((0.1, 0.2, 0.3)) ** 2)
    covariance[3:, 3:] = (
        1e-3**2 * np.outer(right, right)
        + 2e-3**2 * np.outer(up, up)
        + 5e-3**2 * np.outer(away, away)
    )
    row = score(T, FOUND, Estimate(Outcome.OK, T, covariance, 0.2, T, 0.5))
    sigmas = [row[f"sigma_{n}"] for n in ("rot_x_deg", "rot_y_deg", "rot_z_deg")]
    assert_allclose(sigmas, (0.1, 0.2, 0.3), rtol=1e-12)
    sigmas = [row[f"sigma_{n}"] for n in ("right_mm", "up_mm", "along_mm")]
    assert_allclose(sigmas, (1.0, 2.0, 5.0), rtol=1e-9)
    assert_allclose(row["ratio"], 2.5)


def test_without_a_second_solution_there_is_no_ratio():
    row = score(held(), FOUND, Estimate(Outcome.OK, held(), None, 0.2))
    assert row["ratio"] is None
    assert row["runner_up_rmse_px"] is None
    assert "sigma_right_mm" not in row
