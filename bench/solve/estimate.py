"""Estimates that solvers return, and the protocol that they follow."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol, runtime_checkable

from bench.detect.detection import Detection
from bench.detect.observation import Observation
from bench.geometry.pose import Pose
from bench.typing import Array


class Outcome(StrEnum):
    """How a case ended. All but OK are gross failures, counted and never averaged.

    MIRRORED needs the truth and is given by scoring alone.
    """

    OK = "ok"
    MISSED = "missed"
    WRONG_ID = "wrong_id"
    MIRRORED = "mirrored"
    AMBIGUOUS = "ambiguous"
    NOT_FINITE = "not_finite"
    UNEXPLAINED = "unexplained"


@dataclass(frozen=True, eq=False)
class Estimate:
    """A pose with what is known of its quality.

    Attributes
    ----------
    outcome : Outcome
        OK, MISSED, WRONG_ID, AMBIGUOUS, NOT_FINITE or UNEXPLAINED: what a pose leaves of the
        picture contradicts it.
    T_camera_target_est : Pose or None
        Best pose; None unless OK, AMBIGUOUS or UNEXPLAINED.
    covariance : (6, 6) float64 or None
        Of (ω, τ) as `bench.geometry.camera.pose_jacobian` defines them: rotation about the
        target's own axes, radians; translation in the camera frame, metres.
    rmse_px : float
        Root mean square of the residual distance of a point, pixels: sqrt(mean(du² + dv²)).
        NaN without a pose.
    runner_up : Pose or None
        The second solution of the planar two-fold ambiguity, where the solver gives one.
    runner_up_rmse_px : float
        Its residual, or NaN.
    chi_square, degrees : float
        Of a solver that explains grey values: Σ (residual / standard deviation)² and its
        degrees of freedom; NaN from others.
    blur_px : float
        Standard deviation of the blur that such a solver found, pixels, or NaN.
    edge_chi_square : float
        Mean square of its standardised residuals on strong boundaries, or NaN; 1 is right.
    light : str
        How it described light: "even", "free" (the sensor isn't known) or "fields" (it varies
        over the face); empty from others.
    T_camera_target_corners : Pose or None
        The pose of the corners that such a solver started from.
    suspected : tuple of str
        What such a solver's residuals show that noise alone doesn't: correlated, mosaic,
        contradicted.
    """

    outcome: Outcome
    T_camera_target_est: Pose | None = None
    covariance: Array | None = None
    rmse_px: float = float("nan")
    runner_up: Pose | None = None
    runner_up_rmse_px: float = float("nan")
    chi_square: float = float("nan")
    degrees: float = float("nan")
    blur_px: float = float("nan")
    edge_chi_square: float = float("nan")
    light: str = ""
    T_camera_target_corners: Pose | None = None
    suspected: tuple[str, ...] = ()


@runtime_checkable
class Solver(Protocol):
    """Turns detected points (and, if it wants, the picture) into a pose.

    `solve` returns an `Estimate` in every case, also for a detection that isn't ``FOUND``. No
    state from one call may change the next; no randomness.
    """

    name: str

    def solve(self, detection: Detection, observation: Observation) -> Estimate:
        """Estimate the target's pose in the camera frame."""
        ...
