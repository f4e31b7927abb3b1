"""Pipelines: names, the two stages, and what breaks a plug-in's contract."""

import numpy as np
import pytest

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.errors import GeometryError, PlugInError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.picture import Picture
from bench.solve.estimate import Estimate, Outcome
from bench.solve.ippe import IppeLmSolver
from bench.solve.pipeline import Pipeline, pipeline_from_name
from bench.targets.design import MarkerDesign, build_target

CAMERA = Camera(1600, 1200, 2000.0, 2000.0, 800.0, 600.0)
SQUARE = 0.1 * np.array([[-1.0, 1, 0], [1, 1, 0], [1, -1, 0], [-1, -1, 0]])
POSE = pose_of_view(View(3.0, 0.4, 0.2), CAMERA)
GOOD = Detection(Found.FOUND, project(SQUARE, POSE, CAMERA), SQUARE)


@pytest.fixture
def observation() -> Observation:
    picture = Picture(np.zeros((4, 4), dtype=np.uint8))
    return Observation(picture, CAMERA, build_target(MarkerDesign()))


class Answering:
    """A detector and solver that gives a set answer, or raises it."""

    name = "answering"

    def __init__(self, answer: object) -> None:
        self.answer = answer

    def supports(self, kind: str) -> bool:
        return kind == "marker"

    def detect(self, observation: Observation) -> Detection:
        if isinstance(self.answer, Exception):
            raise self.answer
        return self.answer  # type: ignore[return-value]

    def solve(self, detection: Detection, observation: Observation) -> Estimate:
        return self.detect(observation)  # type: ignore[return-value]


def test_a_pipeline_detects_then_solves(observation: Observation) -> None:
    pipeline = Pipeline(Answering(GOOD), IppeLmSolver())
    detection, estimate = pipeline.run(observation)
    assert pipeline.name == "answering/ippe-lm"
    assert pipeline.supports("marker")
    assert not pipeline.supports("circles")
    assert detection is GOOD
    assert estimate.outcome is Outcome.OK
    assert estimate.T_camera_target_est is not None
    # corners are exact: what refinement leaves
    off = estimate.T_camera_target_est.matrix - POSE.matrix
    assert np.max(np.abs(off)) < 1e-9


def test_a_missed_target_ends_as_missed(observation: Observation) -> None:
    _, estimate = Pipeline(Answering(Detection(Found.MISSED)), IppeLmSolver()).run(observation)
    assert estimate.outcome is Outcome.MISSED


@pytest.mark.parametrize("error", [ValueError("bad\nluck"), GeometryError("bad luck")])
def test_what_a_plug_in_raises_becomes_one_error_with_one_line(
    observation: Observation, error: Exception
) -> None:
    with pytest.raises(PlugInError, match=f"^detector answering raised {type(error).__name__}"):
        Pipeline(Answering(error), IppeLmSolver()).run(observation)
    with pytest.raises(PlugInError, match=r"^solver answering raised .*: bad luck$") as caught:
        Pipeline(Answering(GOOD), Answering(error)).run(observation)
    assert caught.value.__cause__ is error


BAD_DETECTIONS = {
    "got NoneType": None,
    "p_target \\(N, 3\\)": Detection(Found.FOUND, GOOD.pixels, SQUARE[:, :2]),
    "got \\(3, 2\\) and \\(4, 3\\)": Detection(Found.FOUND, GOOD.pixels[:3], SQUARE),
    "must have points": Detection(Found.FOUND),
    "z = 0": Detection(Found.FOUND, GOOD.pixels, SQUARE + 0.01),
    "sigma_px must be positive": Detection(Found.FOUND, GOOD.pixels, SQUARE, sigma_px=0.0),
}


@pytest.mark.parametrize("message", BAD_DETECTIONS)
def test_a_detection_that_breaks_the_contract_is_an_error(
    observation: Observation, message: str
) -> None:
    with pytest.raises(PlugInError, match=f"^detector answering: .*{message}"):
        Pipeline(Answering(BAD_DETECTIONS[message]), IppeLmSolver()).run(observation)


BAD_ESTIMATES = {
    "got dict": {},
    "mirrored needs the truth": Estimate(Outcome.MIRRORED, Pose.identity()),
    "ok needs a pose": Estimate(Outcome.OK),
    "missed can't have a pose": Estimate(Outcome.MISSED, Pose.identity()),
    "shape \\(3, 3\\)": Estimate(Outcome.OK, Pose.identity(), np.eye(3)),
    "finite 6 x 6": Estimate(Outcome.OK, Pose.identity(), np.full((6, 6), np.nan)),
}


@pytest.mark.parametrize("message", BAD_ESTIMATES)
def test_an_estimate_that_breaks_the_contract_is_an_error(
    observation: Observation, message: str
) -> None:
    with pytest.raises(PlugInError, match=f"^solver answering: .*{message}"):
        Pipeline(Answering(GOOD), Answering(BAD_ESTIMATES[message])).run(observation)


def test_a_missed_detection_can_not_become_ok(observation: Observation) -> None:
    pipeline = Pipeline(
        Answering(Detection(Found.WRONG_ID)), Answering(Estimate(Outcome.OK, Pose.identity()))
    )
    with pytest.raises(PlugInError, match="wrong_id must give wrong_id, got ok"):
        pipeline.run(observation)


@pytest.mark.parametrize("solver", ["ippe", "ippe-lm", "sqpnp", "epnp", "iterative"])
def test_every_solver_is_found_by_its_name(solver: str) -> None:
    pipeline = pipeline_from_name(f"aruco-subpix/{solver}")
    assert pipeline.name == f"aruco-subpix/{solver}"


@pytest.mark.parametrize("name", ["ippe", "", "a/b/c", "/ippe", "aruco-subpix/"])
def test_a_name_of_another_form_is_refused(name: str) -> None:
    with pytest.raises(PlugInError, match="detector/solver"):
        pipeline_from_name(name)


def test_an_unknown_solver_is_refused_with_its_name() -> None:
    with pytest.raises(PlugInError, match="ippe-ml"):
        pipeline_from_name("aruco-subpix/ippe-ml")
