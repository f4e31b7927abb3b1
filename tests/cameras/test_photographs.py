from types import SimpleNamespace

import numpy as np
import pytest

from bench.cameras.measuring import measure_picture, same_marker
from bench.cameras.photographs import (
    COLUMNS,
    Measurement,
    measurement_row,
    measurement_words,
    measurements_table,
)
from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.errors import TargetError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, facing_rotation, pose_of_view
from bench.imaging.picture import Picture
from bench.solve.estimate import Estimate, Outcome
from bench.survey.columns import schema
from bench.targets.spec import target_from_spec

CAMERA = Camera(640, 480, 800.0, 800.0, 319.5, 239.5)
TARGET = target_from_spec("marker:36h11:7:200 mm")
PICTURE = Picture(np.zeros((480, 640), np.uint8))
VIEW = View(2.5, turn=0.5, pitch=-0.3, roll=0.1, pixel=(400.0, 200.0))
CORNERS = np.column_stack((TARGET.markers[7], np.zeros(4)))


def measurement(estimate, target=TARGET):
    found = Detection(Found.FOUND, pixels=np.zeros((4, 2)), p_target=CORNERS, marker_ids=(7,))
    return Measurement("a.png", "d/s", Observation(PICTURE, CAMERA, target), found, estimate)


def test_row_tells_pose_and_claims_of_the_estimate():
    pose = pose_of_view(VIEW, CAMERA)
    # standard deviations in the camera frame, 1, 2, 3 mrad and 4, 5, 6 mm
    covariance = np.diag(np.square([1e-3, 2e-3, 3e-3, 4e-3, 5e-3, 6e-3]))
    second = pose_of_view(View(2.5, turn=-0.5, pitch=0.3), CAMERA)
    estimate = Estimate(Outcome.OK, pose, covariance, 0.05, second, 0.2)
    row = measurement_row(measurement(estimate))
    assert set(row) == set(schema(COLUMNS))
    assert (row["picture"], row["pipeline"], row["marker_id"]) == ("a.png", "d/s", 7)
    assert (row["outcome"], row["n_points"]) == ("ok", 4)
    assert row["range_m"] == pytest.approx(2.5)
    angles = [row[f"{name}_deg"] for name in ("turn", "pitch", "roll")]
    np.testing.assert_allclose(angles, np.degrees([0.5, -0.3, 0.1]))
    assert row["tilt_deg"] == pytest.approx(np.degrees(np.arccos(np.cos(0.5) * np.cos(0.3))))
    np.testing.assert_allclose([row["u_px"], row["v_px"]], [400.0, 200.0])
    rebuilt = Pose.from_rotvec(
        np.radians([row[f"rotvec_{a}_deg"] for a in "xyz"]), [row[f"{a}_m"] for a in "xyz"]
    )
    np.testing.assert_allclose(
        project(CORNERS, rebuilt, CAMERA), project(CORNERS, pose, CAMERA), atol=1e-9
    )
    claims = [row[f"sigma_rot_{a}_deg"] for a in "xyz"]
    np.testing.assert_allclose(claims, np.degrees([1e-3, 2e-3, 3e-3]))
    # right, up and along are the facing frame's axes
    axes = facing_rotation(pose.translation)
    expected = 1e3 * np.sqrt(np.diag(axes.T @ covariance[3:, 3:] @ axes))
    got = [row[f"sigma_{name}_mm"] for name in ("right", "up", "along")]
    np.testing.assert_allclose(got, expected)
    assert row["ratio"] == pytest.approx(4.0)
    np.testing.assert_allclose(
        [row["runner_up_turn_deg"], row["runner_up_pitch_deg"]], np.degrees([-0.5, 0.3])
    )


def test_row_without_a_pose_has_its_outcome_and_no_numbers():
    row = measurement_row(measurement(Estimate(Outcome.NOT_FINITE)))
    assert row["outcome"] == "not_finite"
    numbers = {c.name for c in COLUMNS if c.unit}
    assert all(row[name] is None for name in numbers)


def test_row_of_a_board_has_no_marker_id():
    board = target_from_spec("grid:36h11:2x2:80 mm:20 mm")
    assert measurement_row(measurement(Estimate(Outcome.MISSED), board))["marker_id"] is None


def test_any_id_looks_again_for_each_id_that_was_decoded():
    class Pipeline:
        name = "d/s"
        detector = SimpleNamespace(name="d")

        def detect(self, observation):
            return Detection(Found.WRONG_ID, marker_ids=(9, 4, 9))

        def solve(self, detection, observation):
            ids = tuple(observation.target.markers)
            return Estimate(Outcome.OK if ids != (7,) else Outcome.WRONG_ID)

    observation = Observation(PICTURE, CAMERA, TARGET)
    own, _ = measure_picture("a.png", observation, Pipeline())
    assert [m.marker_id for m in own] == [7]
    every, left_out = measure_picture("a.png", observation, Pipeline(), any_id=True)
    assert left_out == []
    assert [m.marker_id for m in every] == [4, 9]
    sizes = {m.observation.target.marker_size for m in every}
    assert sizes == {TARGET.marker_size}


def test_only_a_single_marker_has_another_id():
    board = target_from_spec("grid:36h11:2x2:80 mm:20 mm")
    with pytest.raises(TargetError, match="isn't a single marker"):
        same_marker(board, 3)


def test_summary_counts_outcomes_and_gives_spans():
    near = pose_of_view(View(1.5, turn=0.2), CAMERA)
    estimates = [
        Estimate(Outcome.OK, near, None, 0.1),
        Estimate(Outcome.OK, pose_of_view(VIEW, CAMERA), None, 0.3),
        Estimate(Outcome.MISSED),
    ]
    rows = [measurement_row(measurement(e)) for e in estimates]
    first, second = measurement_words(measurements_table(rows))
    assert first == "1 picture, 3 measurements by d/s: 2 ok, 1 missed"
    assert second.startswith("range 1.50 to 2.50 m, tilt 11.5 to ")
    assert second.endswith("residual 0.200 px (median), 0.300 px at most")
    assert len(measurement_words(measurements_table(rows[2:]))) == 1


def seen_by(name, pose):
    covariance = np.diag(np.square([1e-3] * 3 + [1e-3] * 3))
    found = measurement(Estimate(Outcome.OK, pose, covariance, 0.05))
    return measurement_row(
        Measurement("a.jpg", name, found.observation, found.detection, found.estimate)
    )


def test_pipelines_beyond_their_claims_are_named():
    near = pose_of_view(VIEW, CAMERA)
    # 3 mm apart where each claims 1 mm: two standard deviations of the difference; 30 mm: 21
    rows = [
        seen_by("a/b", near),
        seen_by("c/d", Pose(near.rotation, near.translation * (1.0 + 0.003 / 2.5))),
        seen_by("e/f", Pose(near.rotation, near.translation * (1.0 + 0.030 / 2.5))),
    ]
    table = measurements_table(rows)
    assert table["disagrees_with"].to_list() == ["e/f", "e/f", "a/b, c/d"]
    assert table["suspected"].to_list() == ["lossy"] * 3
