"""External pipelines at work: the worked examples, workers of their own, surveys."""

from __future__ import annotations

import json
import multiprocessing
import os
import shutil
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from bench.detect.detection import Detector, Found
from bench.detect.observation import Observation
from bench.errors import PlugInError
from bench.geometry.camera import Camera, project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import Imaging, noise_free
from bench.imaging.region import region_of
from bench.solve.estimate import Outcome
from bench.solve.ippe import IppeLmSolver
from bench.solve.pipeline import Pipeline, pipeline_from_name
from bench.targets.design import MarkerDesign, build_target
from bench.verify.conformance import conform
from bench.verify.conformance_check import CheckOutcome
from bench.verify.conformance_subject import ExternalSubject
from bench.verify.external import ExternalDetector, ExternalPipeline

EXAMPLES = Path(__file__).resolve().parents[2] / "assets" / "examples" / "external"
ADAPTER = [sys.executable, str(EXAMPLES / "aruco_adapter.py")]
PATIENT_S = 120.0  # for a busy machine to load OpenCV; nobody waits for it otherwise
CAMERA = Camera(640, 480, 900.0, 900.0, 300.0, 250.0, (-0.2, 0.05, 0.0, 0.0, 0.0))
TARGET = build_target(MarkerDesign(marker_id=7, size=0.16))
POSE = pose_of_view(View(1.2, 0.5, 0.1, 0.1, (200.3, 180.6)), CAMERA)


def observe() -> Observation:
    """Return a part of the frame, which begins neither at column 0 nor at row 0."""
    region = region_of(TARGET.drawing, POSE, CAMERA, 16.0)
    assert region.u0 > 0 < region.v0
    return Observation(noise_free(TARGET.drawing, POSE, CAMERA, Imaging(), region), CAMERA, TARGET)


@pytest.fixture
def pipeline():
    with ExternalPipeline(ADAPTER, PATIENT_S) as made:
        yield made


def test_the_same_detector_from_outside_gives_the_same_pose(pipeline):
    detection, estimate = pipeline.run(observe())
    here, inside = pipeline_from_name("aruco-subpix/ippe-lm").run(observe())
    # JSON carries doubles whole; the adapter's parameters and the bench's differ in one that
    # decides only how small a marker may be
    assert np.allclose(detection.pixels, here.pixels, atol=1e-9, rtol=0)
    assert estimate.outcome is Outcome.OK
    assert np.allclose(
        estimate.T_camera_target_est.matrix,
        inside.T_camera_target_est.matrix,
        atol=1e-9,
        rtol=0,
    )
    assert pipeline.name == f"external:{Path(sys.executable).name} aruco_adapter.py"
    assert isinstance(pipeline, Pipeline)


@pytest.mark.skipif(shutil.which("node") is None, reason="no Node.js here")
def test_the_example_without_any_library_finds_corners_to_a_tenth_of_a_pixel():
    command = ["node", str(EXAMPLES / "square_finder.mjs")]
    straight = Camera(640, 480, 900.0, 900.0, 300.0, 250.0)
    region = region_of(TARGET.drawing, POSE, straight, 16.0)
    picture = noise_free(TARGET.drawing, POSE, straight, Imaging(), region)
    with ExternalPipeline(command, PATIENT_S) as made:
        detection = made.detect(Observation(picture, straight, TARGET))
    assert detection.found is Found.FOUND
    # edges at half way are exact but near corners; 0.1 px is a fifth of any convention's step
    true = project(detection.p_target, POSE, straight)
    assert np.max(np.abs(detection.pixels - true)) < 0.1


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("node") is None, reason="no Node.js here")
def test_the_example_without_any_library_conforms():
    command = ["node", str(EXAMPLES / "square_finder.mjs")]
    detector = ExternalDetector(command, PATIENT_S)
    report = conform(ExternalSubject(detector), TARGET)
    detector.close()
    assert report.verdict is CheckOutcome.PASS, [c.words for c in report.checks]


POSING = """
import json, sys
for line in sys.stdin:
    request = json.loads(line)
    camera = request["camera"]
    print(json.dumps({"id": request["id"], "pose": POSE}), flush=True)
"""


def test_a_pose_is_judged_by_conformance_as_it_came(tmp_path):
    # a command that always says the same must fail, and by name: an empty frame has no pose
    rotation = (POSE.rotation @ np.diag([1.0, -1.0, -1.0])).tolist()
    pose = json.dumps({"rotation": rotation, "translation": POSE.translation.tolist()})
    script = tmp_path / "posing.py"
    script.write_text(POSING.replace("POSE", pose))
    detector = ExternalDetector([sys.executable, "-S", str(script)], PATIENT_S)
    report = conform(ExternalSubject(detector), TARGET)
    detector.close()
    failed = {c.name for c in report.checks if c.verdict is CheckOutcome.FAIL}
    assert {"frames", "empty frames", "other ids"} <= failed
    assert "answers" not in failed  # it is well formed, if wrong
    with pytest.raises(PlugInError, match="impossible pose: the target shows its back"):
        detector.detect(observe())
    detector.close()


_worker: ExternalPipeline | None = None


def _start(pipeline: ExternalPipeline) -> None:
    global _worker
    _worker = pipeline


def _work(_: int) -> tuple[int, int, str, np.ndarray]:
    assert _worker is not None
    detection = _worker.detect(observe())
    folder = _worker.external._folder
    return os.getpid(), _worker.external._process.pid, str(folder), detection.pixels


@pytest.mark.slow
def test_each_worker_has_a_process_of_its_own_and_leaves_nothing(pipeline):
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(2, context, initializer=_start, initargs=(pipeline,)) as pool:
        results = list(pool.map(_work, range(6)))
    workers = {worker: child for worker, child, _, _ in results}
    assert len(set(workers.values())) == len(workers)  # one each
    assert len({(w, c) for w, c, _, _ in results}) == len(workers)  # and the same all along
    assert all(np.array_equal(pixels, results[0][3]) for *_, pixels in results)
    assert not [folder for _, _, folder, _ in results if Path(folder).exists()]
    assert pipeline.external._process is None  # the parent never started one


def test_a_command_can_stand_as_a_detector_before_any_solver():
    detector = ExternalDetector(ADAPTER, PATIENT_S, name="ours")
    assert isinstance(detector, Detector)
    mixed = Pipeline(detector, IppeLmSolver())
    assert mixed.name == "ours/ippe-lm"
    assert mixed.run(observe())[1].outcome is Outcome.OK
    detector.close()
