"""A pipeline: a detector and a solver, run one after the other on what they may see."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np

from bench.detect.detection import Detection, Detector, Found, refusal
from bench.detect.observation import Observation
from bench.errors import PlugInError
from bench.plugins import DETECTORS, SOLVERS, load
from bench.solve.estimate import Estimate, Outcome, Solver
from bench.targets.target import Target

WITH_POSE = (Outcome.OK, Outcome.AMBIGUOUS, Outcome.UNEXPLAINED)
# What a solver answers to a detection that found nothing.
WITHOUT_POINTS = {Found.MISSED: Outcome.MISSED, Found.WRONG_ID: Outcome.WRONG_ID}

# Pixels and metres of an answer that can be meant; squares of much larger ones overflow later, in
# the scores of all cases. Variances are in whatever the answer's units make of it.
LARGEST, LARGEST_COVARIANCE = 1e6, 1e30


@dataclass(frozen=True)
class Pipeline:
    """A detector and a solver.

    Both may be somebody else's. Whatever they raise, and any answer that breaks their
    contract, becomes a `PlugInError`: one exception for a survey to expect, which can count the
    case and go on. It is never turned into an outcome here: a crash isn't a measurement.
    """

    detector: Detector
    solver: Solver

    @property
    def name(self) -> str:
        """Such as ``"aruco-subpix/ippe-lm"``."""
        return f"{self.detector.name}/{self.solver.name}"

    def supports(self, kind: str) -> bool:
        """Tell whether targets of this kind can be looked for."""
        return self.detector.supports(kind)

    def refusal(self, target: Target) -> str | None:
        """Say why this target can't be looked for, known before any picture; None if it can."""
        reason = refusal(self.detector, target)
        return None if reason is None else f"pipeline {self.name}: {reason}"

    def detect(self, observation: Observation) -> Detection:
        """Look for the target.

        Raises
        ------
        PlugInError
            The detector raised an exception or broke its contract.
        """
        try:
            detection = self.detector.detect(observation)
        except Exception as error:  # the boundary to foreign code
            raise _raised("detector", self.detector.name, error) from error
        fault = detection_fault(detection)
        if fault:
            raise PlugInError(f"detector {self.detector.name}: {fault}")
        return detection

    def solve(self, detection: Detection, observation: Observation) -> Estimate:
        """Estimate the pose.

        Raises
        ------
        PlugInError
            The solver raised an exception or broke its contract.
        """
        try:
            estimate = self.solver.solve(detection, observation)
        except Exception as error:  # the boundary to foreign code
            raise _raised("solver", self.solver.name, error) from error
        fault = estimate_fault(estimate, detection)
        if fault:
            raise PlugInError(f"solver {self.solver.name}: {fault}")
        return estimate

    def run(self, observation: Observation) -> tuple[Detection, Estimate]:
        """Detect, then solve; raises `PlugInError` as they do."""
        detection = self.detect(observation)
        return detection, self.solve(detection, observation)


def pipeline_from_name(name: str) -> Pipeline:
    """Return the pipeline called "detector/solver", such as "aruco-subpix/ippe-lm".

    Raises
    ------
    PlugInError
        The name hasn't this form, or a plug-in isn't installed or can't be loaded.
    """
    parts = name.split("/")
    if len(parts) != 2 or not all(parts):
        raise PlugInError(
            f"pipeline {name!r}: the form is detector/solver, such as aruco-subpix/ippe-lm"
        )
    # `load` has seen that they have the methods of their protocols
    detector = cast(Detector, load(DETECTORS, parts[0]))
    solver = cast(Solver, load(SOLVERS, parts[1]))
    return Pipeline(detector, solver)


def detection_fault(detection: object) -> str | None:
    """Return what is wrong with a detector's answer, or None.

    Pixels that aren't finite are no fault: solvers answer them with NOT_FINITE.
    """
    if not isinstance(detection, Detection):
        return f"detect must return a Detection, got {type(detection).__name__}"
    if detection.found is not Found.FOUND:
        return None
    n = len(detection.pixels)
    if np.shape(detection.pixels) != (n, 2) or np.shape(detection.p_target) != (n, 3):
        shapes = f"{np.shape(detection.pixels)} and {np.shape(detection.p_target)}"
        return f"pixels must be (N, 2) and p_target (N, 3), got {shapes}"
    if n == 0:
        return "a target that was found must have points"
    if not np.all(np.isfinite(detection.p_target)) or np.any(detection.p_target[:, 2] != 0.0):
        return "p_target must be finite with z = 0"
    if not 0.0 < detection.sigma_px <= LARGEST:
        return f"sigma_px must be positive and at most {LARGEST:g}, got {detection.sigma_px}"
    if np.any(np.abs(detection.pixels) > LARGEST):
        return f"pixels must lie within {LARGEST:g} either way"
    return None


def estimate_fault(estimate: object, detection: Detection) -> str | None:
    """Return what is wrong with a solver's answer to a detection, or None."""
    if not isinstance(estimate, Estimate):
        return f"solve must return an Estimate, got {type(estimate).__name__}"
    outcome = estimate.outcome
    if outcome is Outcome.MIRRORED:
        return "outcome mirrored needs the truth, which a solver doesn't know"
    expected = WITHOUT_POINTS.get(detection.found)
    if expected is not None and outcome is not expected:
        return f"a detection that is {detection.found} must give {expected}, got {outcome}"
    if (estimate.T_camera_target_est is not None) != (outcome in WITH_POSE):
        return (
            f"outcome {outcome} "
            + ("needs a" if outcome in WITH_POSE else "can't have a")
            + " pose"
        )
    pose = estimate.T_camera_target_est
    # written so that what isn't finite fails too
    if pose is not None and not np.all(np.abs(pose.translation) <= LARGEST):
        return f"the pose must lie within {LARGEST:g} m of the camera"
    covariance = estimate.covariance
    if covariance is not None and (
        np.shape(covariance) != (6, 6) or not np.all(np.abs(covariance) <= LARGEST_COVARIANCE)
    ):
        return f"covariance must be a finite 6 x 6 matrix, got shape {np.shape(covariance)}"
    return None


def _raised(part: str, name: str, error: Exception) -> PlugInError:
    text = " ".join(str(error).split())
    return PlugInError(f"{part} {name} raised {type(error).__name__}: {text}")
