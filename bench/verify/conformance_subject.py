"""Answers of a pipeline as they came, before anything is refused: what conformance judges."""

from __future__ import annotations

from dataclasses import dataclass, replace
from time import perf_counter
from typing import Protocol

import numpy as np

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.errors import PlugInError
from bench.solve.pipeline import Pipeline
from bench.typing import Array
from bench.verify.external import ExternalDetector, detection_of


@dataclass(frozen=True, eq=False)
class Reading:
    """One answer.

    Attributes
    ----------
    seconds : float
        Time it took.
    fault : str
        Why there is no usable answer; empty where there is one.
    pixels, p_target : (N, 2) and (N, 3) float64 or None
        Corners as answered, sensor pixels, and the points they are said to be.
    rotation, translation : (3, 3) and (3,) float64 or None
        The pose as answered.
    """

    seconds: float
    fault: str = ""
    pixels: Array | None = None
    p_target: Array | None = None
    rotation: Array | None = None
    translation: Array | None = None

    @property
    def found(self) -> bool:
        """Whether it says that the target is there."""
        return self.pixels is not None or self.rotation is not None

    @property
    def corners(self) -> tuple[Array, Array]:
        """Its corners and their points, of a reading that has some."""
        assert self.pixels is not None
        assert self.p_target is not None
        return self.pixels, self.p_target

    def same_as(self, other: Reading) -> bool:
        """Tell whether two answers are equal to the last bit."""
        names = ("pixels", "p_target", "rotation", "translation")
        pairs = [(getattr(self, name), getattr(other, name)) for name in names]
        return self.fault == other.fault and all(
            (a is None) == (b is None) and (a is None or np.array_equal(a, b, equal_nan=True))
            for a, b in pairs
        )


class Subject(Protocol):
    """A pipeline under judgement."""

    @property
    def name(self) -> str:
        """As reports call it."""
        ...

    def read(self, observation: Observation) -> Reading:
        """Return its answer."""
        ...

    def restart(self) -> None:
        """Forget everything, where it can be made to."""
        ...


class ExternalSubject:
    """An external command."""

    def __init__(self, detector: ExternalDetector) -> None:
        self._detector = detector
        self.name = detector.name

    def read(self, observation: Observation) -> Reading:
        """Return its answer; a pose isn't checked, corners must be of the target."""
        start = perf_counter()
        try:
            answer = self._detector.ask(observation)
            seconds = perf_counter() - start
            corners = replace(answer, rotation=None, translation=None)
            detection = detection_of(corners, observation) if answer.corners else None
        except PlugInError as error:
            return Reading(perf_counter() - start, fault=str(error))
        reading = _of_detection(detection, seconds)
        return replace(reading, rotation=answer.rotation, translation=answer.translation)

    def restart(self) -> None:
        """Start a new process with the next answer."""
        self._detector.restart()


class PipelineSubject:
    """A pipeline in Python, found by its name."""

    def __init__(self, pipeline: Pipeline) -> None:
        self._pipeline = pipeline
        self.name = pipeline.name

    def read(self, observation: Observation) -> Reading:
        """Return its detection, and its estimate where there is one."""
        start = perf_counter()
        try:
            detection, estimate = self._pipeline.run(observation)
        except PlugInError as error:
            return Reading(perf_counter() - start, fault=str(error))
        reading = _of_detection(detection, perf_counter() - start)
        pose = estimate.T_camera_target_est
        if pose is None:
            return reading
        return replace(reading, rotation=pose.rotation, translation=pose.translation)

    def restart(self) -> None:
        """Do nothing: plug-ins keep no state, which asking again shows."""


def _of_detection(detection: Detection | None, seconds: float) -> Reading:
    if detection is None or detection.found is not Found.FOUND:
        return Reading(seconds)
    return Reading(seconds, pixels=detection.pixels, p_target=detection.p_target)
