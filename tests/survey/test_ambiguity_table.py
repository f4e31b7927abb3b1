import math

import numpy as np
import polars as pl
import pytest

from bench.detect.detection import Detection, Found
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view, tilt_of_pose
from bench.imaging.model import Imaging
from bench.solve.ambiguity import mirrored_pose
from bench.solve.estimate import Estimate, Outcome
from bench.solve.mirror_rate import corner_distance, mirrored_share
from bench.survey.ambiguity import ambiguity_table, with_predictions, wrong_side
from bench.survey.score import is_mirrored, score
from bench.survey.setting import Setting, pattern_points
from bench.targets.design import MarkerDesign, build_target

CAMERA = Camera(2448, 2048, 3000.0, 3000.0, 1223.5, 1023.5)
SETTING = Setting(CAMERA, Imaging(), build_target(MarkerDesign()))


def case(view, found, outcome=Outcome.OK, pipeline="a/b"):
    """One row of cases, as far as it matters here; `found` is the pose estimated, or None."""
    pose = pose_of_view(view, CAMERA)
    detection = Detection(Found.FOUND, np.zeros((4, 2)), np.zeros((4, 3)))
    if found is None:
        outcome = Outcome.MISSED
    scored = score(pose, detection, Estimate(outcome, found, np.eye(6), rmse_px=0.2))
    blank = dict.fromkeys((*(f"err_rot_{axis}_deg" for axis in "xyz"), "err_rot_deg", "rmse_px"))
    return (
        blank
        | {
            "pipeline": pipeline,
            "range_m": view.range_m,
            "turn_deg": math.degrees(view.turn),
            "pitch_deg": math.degrees(view.pitch),
            "turn_true_deg": math.degrees(view.turn),
            "pitch_true_deg": math.degrees(view.pitch),
            "tilt_true_deg": math.degrees(tilt_of_pose(pose)),
        }
        | scored
    )


def table_of(rows):
    return pl.DataFrame(rows, infer_schema_length=None)


def test_wrong_side_agrees_with_scoring_for_any_view_and_error():
    rng = np.random.default_rng(4)
    rows, expected = [], []
    for _ in range(200):
        turn, pitch, roll = rng.uniform(-1.0, 1.0, 3)
        view = View(9.0, turn, pitch, 3.0 * roll, tuple(rng.uniform(200.0, 1800.0, 2)))
        pose = pose_of_view(view, CAMERA)
        error = Pose.from_rotvec(rng.normal(0.0, 0.8, 3), np.zeros(3))
        found = Pose(pose.rotation @ error.rotation, pose.translation)
        rows.append(case(view, found))
        expected.append(is_mirrored(pose, found))
    assert 20 < sum(expected) < 180
    np.testing.assert_array_equal(wrong_side(table_of(rows)), expected)


def mirrored(view):
    return mirrored_pose(pose_of_view(view, CAMERA))


def test_both_sides_are_counted_whatever_the_pipeline_called_them():
    view = View(18.0, math.radians(30.0))
    right = pose_of_view(view, CAMERA)
    rows = [
        case(view, right),
        case(view, right, Outcome.AMBIGUOUS),
        case(view, mirrored(view)),
        case(view, mirrored(view), Outcome.AMBIGUOUS),
        case(view, None),
    ]
    row = ambiguity_table(table_of(rows)).row(0, named=True)
    assert (row["n"], row["n_wrong"], row["n_ambiguous"]) == (4, 2, 2)
    # four corners with 0.2 px RMS distance and two degrees of freedom: √(4 · 0.04 / 2)
    assert row["sigma_px"] == pytest.approx(math.sqrt(0.08))


def test_face_on_no_side_is_wrong():
    view = View(18.0, math.radians(1.0))
    assert not wrong_side(table_of([case(view, mirrored(view))])).any()


def test_predictions_are_of_corners_or_of_the_picture_as_the_solver_uses_them():
    view = View(24.0, math.radians(30.0))
    right = pose_of_view(view, CAMERA)
    rows = [case(view, right, pipeline=name) for name in ("x/ippe-lm", "x/photometric")]
    table = with_predictions(ambiguity_table(table_of(rows)), SETTING)
    corners, picture = table["predicted"]
    distance = corner_distance(pattern_points(SETTING.target), right, CAMERA, table["sigma_px"][0])
    assert corners == pytest.approx(mirrored_share(distance))
    assert 0.1 < corners < 0.5
    assert picture < 1e-3  # 10,000 electrons and 25 px: the picture tells the two apart


def test_without_a_corners_noise_nothing_is_predicted_for_corners():
    table = ambiguity_table(
        pl.DataFrame([case(View(5.0, 0.7), pose_of_view(View(5.0, 0.7), CAMERA))])
    )
    blind = table.with_columns(sigma_px=pl.lit(None, dtype=pl.Float64))
    assert with_predictions(table, SETTING)["predicted"].is_not_nan().all()
    assert with_predictions(blind, SETTING)["predicted"].is_nan().all()
