"""Answer of a fit of a picture: pose, covariance, what it leaves, the other branch."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.detect.detection import Detection
from bench.errors import GeometryError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.geometry.rotation import angle_between
from bench.solve.ambiguity import Modes, spread_over_modes
from bench.solve.conclude import SAME_NORMAL
from bench.solve.estimate import Estimate, Outcome
from bench.solve.evidence import Evidence
from bench.solve.image_fit import Scene
from bench.solve.refine import Fit
from bench.typing import Array


@dataclass(frozen=True, eq=False)
class Answer:
    """One fit's say.

    Attributes
    ----------
    pose : Pose
        Target to camera.
    blur_px : float
        Standard deviation of the blur, pixels.
    covariance : (6, 6) float64
        Of the pose, this branch being the right one.
    chi_square, degrees : float
        Against noise alone, of the pixels trusted.
    evidence : Evidence
        What it leaves unexplained.
    terms : str
        How light was described, "even", "free" or "fields", and what boundaries shared.
    other : Pose or None
        The other branch's pose, if it was fitted and may be seen.
    modes : Modes or None
        How it compares.
    asked : bool
        Whether the other branch was fitted to the picture; else the corners' own stands.
    """

    pose: Pose
    blur_px: float
    covariance: Array
    chi_square: float
    degrees: float
    evidence: Evidence
    terms: str
    other: Pose | None = None
    modes: Modes | None = None
    asked: bool = False


def estimate_of(answer: Answer, scene: Scene, start: Estimate, detection: Detection) -> Estimate:
    """Return the estimate: ambiguity, spread over both branches, residuals of the corners.

    Parameters
    ----------
    answer : Answer
        What was fitted.
    scene, start, detection : Scene, Estimate, Detection
        What was seen, and what its corners say.
    """
    runner_up = answer.other if answer.asked else start.runner_up
    outcome, covariance = Outcome.OK, answer.covariance
    if answer.modes is not None and answer.other is not None:
        if answer.modes.ambiguous:
            outcome = Outcome.AMBIGUOUS
        elif not answer.modes.separate:
            covariance = spread_over_modes(
                covariance, _plain(answer.pose), _plain(answer.other), answer.modes.second_weight
            )
    if answer.evidence.contradicts:
        outcome = Outcome.UNEXPLAINED
    return Estimate(
        outcome,
        answer.pose,
        covariance,
        corner_rmse(answer.pose, scene, detection),
        runner_up,
        float("nan") if runner_up is None else corner_rmse(runner_up, scene, detection),
        answer.chi_square,
        answer.degrees,
        answer.blur_px,
        answer.evidence.edge_chi_square,
        answer.terms,
        start.T_camera_target_est,
        answer.evidence.suspected,
    )


def is_other_branch(pose: Pose, other: Pose) -> bool:
    """Tell whether another pose shows the target's front and has another normal."""
    visible = bool(other.rotation[:, 2] @ other.translation < 0.0)
    return visible and angle_between(pose.rotation[:, 2], other.rotation[:, 2]) >= SAME_NORMAL


def corner_rmse(pose: Pose, scene: Scene, detection: Detection) -> float:
    """Return the RMS distance of the detected points from the pose's, or NaN."""
    try:
        offset = project(detection.p_target, pose, scene.camera) - detection.pixels
    except GeometryError:
        return float("nan")
    return math.sqrt(float(np.mean(np.sum(offset * offset, axis=1))))


def _plain(pose: Pose) -> Fit:
    return Fit(pose.rotation, pose.translation, 0.0)
