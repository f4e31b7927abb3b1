"""What else conformance asks: ids, empty frames, deep pictures, repeats, faults."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from bench.detect.observation import Observation
from bench.solve.pipeline import pipeline_from_name
from bench.targets.design import MarkerDesign, build_target
from bench.verify.conformance import conform
from bench.verify.conformance_check import CheckOutcome
from bench.verify.conformance_subject import PipelineSubject, Reading

MARKER = build_target(MarkerDesign(marker_id=7, size=0.16))
MARKER_POINTS = np.column_stack((MARKER.markers[7], np.zeros(4)))
Change = Callable[[Reading, Observation], Reading]


class Mistaken(PipelineSubject):
    """A good pipeline whose answers are changed."""

    def __init__(self, pipeline: str, change: Change) -> None:
        super().__init__(pipeline_from_name(pipeline))
        self._change = change

    def read(self, observation: Observation) -> Reading:
        return self._change(super().read(observation), observation)


class Stateful(Mistaken):
    """Answers drift from one to the next."""

    def __init__(self) -> None:
        super().__init__("aruco-subpix/ippe-lm", lambda reading, _: reading)
        self.count = 0

    def read(self, observation: Observation) -> Reading:
        reading = super().read(observation)
        self.count += 1
        if reading.pixels is None:
            return reading
        return replace(reading, pixels=reading.pixels + 1e-4 * self.count)


def test_answers_that_drift_are_named():
    report = conform(Stateful(), MARKER)
    (failed,) = [c for c in report.checks if c.verdict is CheckOutcome.FAIL]
    assert failed.name == "same answer twice"
    assert "0 of 9 answers came again to the last bit; one moved by" in failed.measured


def other(find: Callable[[Observation], bool]) -> Change:
    """Miss, or find at a made-up place, whatever pictures `find` says."""

    def apply(reading: Reading, observation: Observation) -> Reading:
        made_up = MARKER_POINTS[:, :2] * 1000 + 300
        return (
            Reading(0.0, pixels=made_up, p_target=MARKER_POINTS) if find(observation) else reading
        )

    return apply


def test_a_target_found_in_an_empty_frame_is_named():
    def empty(observation: Observation) -> bool:
        return np.ptp(observation.picture.grey.astype(float)) == 0.0

    report = conform(Mistaken("aruco-subpix/ippe-lm", other(empty)), MARKER)
    (failed,) = [c for c in report.checks if c.verdict is CheckOutcome.FAIL]
    assert failed.words.startswith("empty frames: fail, a target was found in a grey frame")


def test_dark_pictures_of_more_bits_are_named():
    def dark(reading: Reading, observation: Observation) -> Reading:
        return Reading(0.0) if observation.picture.full_scale == 4095 else reading

    report = conform(Mistaken("aruco-subpix/ippe-lm", dark), MARKER)
    (failed,) = [c for c in report.checks if c.verdict is CheckOutcome.FAIL]
    assert "missed with 12 bits" in failed.measured
    assert "255 / picture.full_scale" in failed.fix


class AnyId(PipelineSubject):
    """Answers for whichever single marker it reads last."""

    def read(self, observation: Observation) -> Reading:
        ids = (8, 7)
        for marker_id in ids:
            design = MarkerDesign(marker_id=marker_id, size=0.16)
            reading = super().read(replace(observation, target=build_target(design)))
            if reading.found:
                return reading
        return reading


def test_foreign_ids_taken_for_the_own_are_named():
    report = conform(AnyId(pipeline_from_name("aruco-subpix/ippe-lm")), MARKER)
    (failed,) = [c for c in report.checks if c.verdict is CheckOutcome.FAIL]
    assert failed.words.startswith("other ids: fail, a marker of another id was taken for it")


def test_a_pipeline_that_finds_nothing_can_not_be_judged():
    report = conform(Mistaken("aruco-subpix/ippe-lm", lambda *_: Reading(0.0)), MARKER)
    assert report.verdict is CheckOutcome.UNDECIDED
    assert "0 of 8 plain pictures" in str([c.words for c in report.checks])
    passed = [c.words for c in report.checks if c.verdict is CheckOutcome.PASS]
    assert passed == []  # frames without a target, repeats: nothing was answered anywhere


def test_a_fault_is_a_failure_with_its_reason():
    report = conform(
        Mistaken("aruco-subpix/ippe-lm", lambda *_: Reading(0.0, fault="died: SIGSEGV")), MARKER
    )
    assert report.verdict is CheckOutcome.FAIL
    assert report.checks[0].words == (
        "answers: fail, 0 of 26 answers can be used: the first that can't: died: SIGSEGV"
    )
