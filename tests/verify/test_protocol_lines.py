"""The line protocol: what is asked, and what may be answered."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from bench.detect.detection import Found
from bench.detect.observation import Observation
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.picture import Picture, png
from bench.solve.estimate import Outcome
from bench.targets.design import CharucoDesign, CirclesDesign, MarkerDesign, build_target
from bench.verify.external import AnsweredDetection, AnswerSolver, detection_of
from bench.verify.protocol import CONVENTIONS, point_names, request_line
from bench.verify.protocol_answer import ExternalError, Fault, read_answer

CAMERA = Camera(640, 480, 900.0, 880.0, 310.5, 240.25, (-0.1, 0.02, 1e-3, -1e-3, 0.0))
TARGET = build_target(MarkerDesign(marker_id=7, size=0.16))
POSE = pose_of_view(View(1.5, 0.4, 0.2, 0.1), CAMERA)
POINTS = point_names(TARGET)
CORNERS = project(np.array(list(POINTS.values())), POSE, CAMERA)


def observe(grey: np.ndarray | None = None, full_scale: int = 255) -> Observation:
    """Return an observation of a region that begins at column 100, row 50."""
    grey = np.full((300, 400), 90, dtype=np.uint8) if grey is None else grey
    return Observation(Picture(grey, 100, 50, full_scale), CAMERA, TARGET)


def answer(**content: object) -> bytes:
    return json.dumps({"id": 1, **content}).encode()


def pose_answer(pose: Pose = POSE, **more: object) -> bytes:
    rotation = np.round(pose.rotation, 6).tolist()
    return answer(pose={"rotation": rotation, "translation": pose.translation.tolist(), **more})


def corner_answer(corners: np.ndarray = CORNERS) -> dict[str, list[float]]:
    return {name: (xy - (100, 50)).tolist() for name, xy in zip(POINTS, corners, strict=True)}


def test_a_request_is_one_line_with_all_that_a_pipeline_may_know():
    line = request_line(3, Path("a b.png"), observe())
    assert line.count(b"\n") == 1
    request = json.loads(line)
    assert request["protocol"] == 2
    assert request["id"] == 3
    assert request["image"] == str(Path("a b.png").absolute())
    assert request["picture"] == {"width": 400, "height": 300, "bits": 8, "full_scale": 255}
    assert request["target"]["dictionary"] == "DICT_APRILTAG_36h11"
    assert request["target"]["points"]["7.0"] == [-0.08, 0.08]  # top left, y up
    assert request["conventions"] == dict(CONVENTIONS)
    assert "true" not in str(request["camera"])


def test_the_camera_of_a_request_is_that_of_its_picture():
    camera = json.loads(request_line(1, Path("x.png"), observe()))["camera"]
    shifted = Camera(
        400, 300, *(camera[k] for k in ("fx", "fy", "cx", "cy")), tuple(camera["distortion"])
    )
    points = np.array(list(POINTS.values()))
    # an adapter that knows nothing of regions sees the target where the picture has it
    assert np.allclose(project(points, POSE, shifted) + (100, 50), CORNERS, atol=1e-9, rtol=0)


@pytest.mark.parametrize(("dtype", "full_scale"), [(np.uint8, 255), (np.uint16, 4095)])
def test_a_picture_keeps_its_grey_values(dtype, full_scale):
    grey = np.random.default_rng(1).integers(0, full_scale + 1, (300, 400)).astype(dtype)
    data = np.frombuffer(png(observe(grey, full_scale).picture.grey, quick=True), dtype=np.uint8)
    back = cv2.imdecode(data, cv2.IMREAD_UNCHANGED)
    assert back.dtype == dtype
    assert np.array_equal(back, grey)
    request = json.loads(request_line(1, Path("x"), observe(grey, full_scale)))
    assert request["picture"]["bits"] == 8 * dtype().itemsize
    assert request["picture"]["full_scale"] == full_scale


def test_cells_are_the_marker_as_opencv_draws_it():
    target = json.loads(request_line(1, Path("x"), observe()))["target"]
    book = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    drawn = cv2.aruco.generateImageMarker(book, 7, 8)  # a pixel a cell
    cells = np.array([[int(c) for c in row] for row in target["cells"]["7"]])
    assert np.array_equal(cells, drawn > 127)


def test_a_marker_s_square_begins_outside_cells_within():
    book = build_target(MarkerDesign("tagStandard41h12", 7, size=0.1))
    seen = Observation(observe().picture, CAMERA, book)
    target = json.loads(request_line(1, Path("x"), seen))["target"]
    cells = np.array([[int(c) for c in row] for row in target["cells"]["7"]])
    square = slice(target["outside"], len(cells) - target["outside"])
    assert cells.shape == (9, 9)
    # the square's own rim is white and the ring around it black (AprilTag 3's layouts)
    assert cells[square, square][[0, -1]].all()
    assert not cells[target["outside"] - 1, 1:-1].any()
    assert target["points"]["7.0"] == [-0.05, 0.05]
    assert target["marker_size"] == 0.1


def test_boards_name_their_points_and_circles_have_no_cells():
    charuco = build_target(CharucoDesign())
    names = point_names(charuco)
    assert {f"p{k}" for k in range(len(charuco.points))} < set(names)
    assert {f"{i}.{k}" for i in charuco.markers for k in range(4)} < set(names)
    circles = build_target(CirclesDesign())
    assert list(point_names(circles)) == [f"p{k}" for k in range(44)]
    observation = Observation(observe().picture, CAMERA, circles)
    assert json.loads(request_line(1, Path("x"), observation))["target"]["cells"] == {}


def test_corners_become_sensor_pixels_matched_to_their_points():
    corners = dict(reversed(corner_answer().items()))  # order is nobody's concern
    detection = detection_of(read_answer(answer(corners=corners, sigma_px=0.2), 1), observe())
    assert detection.found is Found.FOUND
    assert np.allclose(detection.pixels, CORNERS, atol=1e-9, rtol=0)
    assert np.array_equal(detection.p_target, list(POINTS.values()))
    assert detection.sigma_px == 0.2
    estimate = AnswerSolver().solve(detection, observe())
    assert estimate.outcome is Outcome.OK
    # exact corners: what refinement leaves
    assert np.max(np.abs(estimate.T_camera_target_est.matrix - POSE.matrix)) < 1e-9


def test_a_pose_becomes_an_estimate_with_its_covariance():
    covariance = np.diag([1.0, 2, 3, 4, 5, 6]) * 1e-8
    detection = detection_of(
        read_answer(pose_answer(covariance=covariance.tolist()), 1), observe()
    )
    assert isinstance(detection, AnsweredDetection)
    estimate = AnswerSolver().solve(detection, observe())
    assert estimate.outcome is Outcome.OK
    assert np.array_equal(estimate.covariance, covariance)
    # six decimals: rotations off by at most 5e-7 an element, and nearest is no farther
    assert np.max(np.abs(estimate.T_camera_target_est.rotation - POSE.rotation)) < 1e-6
    # 1e-6 rad at 0.16 m under 900 px / 1.5 m is 1e-4 px
    assert np.allclose(detection.pixels, CORNERS, atol=1e-3, rtol=0)
    assert np.isnan(estimate.rmse_px)


def test_corners_beside_a_pose_give_its_residual():
    content = json.loads(pose_answer()) | {"corners": corner_answer(CORNERS + (3.0, 4.0))}
    detection = detection_of(read_answer(json.dumps(content).encode(), 1), observe())
    estimate = AnswerSolver().solve(detection, observe())
    assert estimate.rmse_px == pytest.approx(5.0, abs=1e-3)
    assert np.allclose(detection.pixels, CORNERS + (3.0, 4.0), atol=1e-9, rtol=0)


def test_an_answer_may_call_itself_ambiguous():
    detection = detection_of(read_answer(pose_answer(ambiguous=True), 1), observe())
    assert AnswerSolver().solve(detection, observe()).outcome is Outcome.AMBIGUOUS


@pytest.mark.parametrize(
    ("ids", "found"), [([], Found.MISSED), ([8, 9], Found.WRONG_ID), ([8, 7], Found.MISSED)]
)
def test_a_missed_target_is_told_from_a_wrong_id(ids, found):
    line = answer(missed=True, marker_ids=ids)
    detection = detection_of(read_answer(line, 1), observe())
    assert detection.found is found
    assert detection.marker_ids == tuple(ids)


ROT, T = POSE.rotation.tolist(), POSE.translation.tolist()
BROKEN = {
    "neither": ({}, Fault.BROKEN, "got none of them"),
    "all": ({"missed": True, "corners": {"7.0": [1, 2]}}, Fault.BROKEN, "corners and missed"),
    "typing error": ({"misssed": True}, Fault.BROKEN, "unknown key misssed; did you mean missed"),
    "no corners": ({"corners": {}}, Fault.BROKEN, "corners: needs at least 1, got 0"),
    "a list": ({"corners": [[1, 2]]}, Fault.BROKEN, "corners: .* must be a table"),
    "one coordinate": (
        {"corners": {"7.0": [1]}},
        Fault.BROKEN,
        r"corners\.7\.0: needs at least 2, got 1",
    ),
    "a string": (
        {"corners": {"7.0": ["1", 2]}},
        Fault.BROKEN,
        r"corners\.7\.0\.0: '1' must be a number",
    ),
    "true": ({"corners": {"7.0": [True, 2]}}, Fault.BROKEN, r"7\.0\.0: 'True' must be a number"),
    "infinite": ({"corners": {"7.0": [np.inf, 2]}}, Fault.NOT_FINITE, "'inf' should be"),
    "huge": ({"corners": {"7.0": [10**400, 2]}}, Fault.BROKEN, r"corners\.7\.0\.0: "),
    "sigma": (
        {"corners": {"7.0": [1, 2]}, "sigma_px": 0},
        Fault.BROKEN,
        "sigma_px: '0' should be greater than 0",
    ),
    "ids": (
        {"missed": True, "marker_ids": ["7"]},
        Fault.BROKEN,
        r"marker_ids\.0: '7' must be a whole number",
    ),
    "no rotation": ({"pose": {"translation": T}}, Fault.BROKEN, r"pose\.rotation is missing"),
    "flat": (
        {"pose": {"rotation": POSE.rotation.ravel().tolist(), "translation": T}},
        Fault.BROKEN,
        r"pose\.rotation: .* at most 3 items",
    ),
    "nan": ({"pose": {"rotation": ROT, "translation": [np.nan, 0, 1]}}, Fault.NOT_FINITE, "tr"),
    "lopsided": (
        {"pose": {"rotation": ROT, "translation": T, "covariance": np.tri(6).tolist()}},
        Fault.BROKEN,
        "symmetric",
    ),
    "negative": (
        {
            "pose": {
                "rotation": ROT,
                "translation": T,
                "covariance": (2 * np.ones((6, 6)) - np.eye(6)).tolist(),
            }
        },
        Fault.BROKEN,
        "negative eigenvalue",
    ),
}


@pytest.mark.parametrize("name", BROKEN)
def test_an_answer_is_refused(name):
    content, fault, message = BROKEN[name]
    with pytest.raises(ExternalError, match=message) as caught:
        read_answer(answer(**content), 1)
    assert caught.value.fault is fault


def test_a_key_given_twice_is_refused():
    with pytest.raises(ExternalError, match="key 'id' twice"):
        read_answer(b'{"id": 1, "id": 1, "missed": true}', 1)


@pytest.mark.parametrize("request_id", [b"2", b"null", b'"1"', b"true"])
def test_an_answer_must_repeat_the_id(request_id):
    with pytest.raises(ExternalError, match="request 1 was answered with id") as caught:
        read_answer(b'{"id": %s, "missed": true}' % request_id, 1)
    assert caught.value.fault is Fault.WRONG_ID


FLIP_YZ = np.diag([1.0, -1.0, -1.0])
IMPOSSIBLE = {
    "isn't orthonormal": (1.001 * POSE.rotation, POSE.translation),
    "a reflection": (POSE.rotation @ np.diag([1.0, 1.0, -1.0]), POSE.translation),
    "shows its back": (POSE.rotation @ FLIP_YZ, POSE.translation),
    "behind the camera": (POSE.rotation, -POSE.translation),
}


@pytest.mark.parametrize("message", IMPOSSIBLE)
def test_a_pose_that_can_not_be_is_refused(message):
    rotation, translation = IMPOSSIBLE[message]
    pose = {"rotation": rotation.tolist(), "translation": translation.tolist()}
    with pytest.raises(ExternalError, match=message) as caught:
        detection_of(read_answer(answer(pose=pose), 1), observe())
    assert caught.value.fault is Fault.POSE


PROTOCOL = Path(__file__).resolve().parents[2] / "bench" / "verify" / "PROTOCOL.md"


def test_the_documentation_shows_the_protocol_as_it_is():
    section = PROTOCOL.read_text(encoding="utf-8")
    shown, answers = (part.partition("```")[0] for part in section.split("```json")[1:3])
    documented = json.loads(shown)
    line = json.loads(request_line(3, Path("x.png"), observe()))
    assert documented.keys() == line.keys()
    for part in ("picture", "camera", "target"):
        assert documented[part].keys() == line[part].keys()
    assert documented["target"] | {"cells": 0} == line["target"] | {"cells": 0}
    for answered in answers.strip().splitlines():
        if "error" in answered:
            with pytest.raises(ExternalError, match="licence expired"):
                read_answer(answered.encode(), 3)
        else:
            detection_of(read_answer(answered.encode(), 3), observe())
