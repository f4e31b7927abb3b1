"""The steering axis from a sweep: caster and steering-axis inclination.

With the brake on, the wheel turns with its upright about the steering axis alone: the target's
poses at several steer angles share that axis, exactly and at any angle (`bench.solve.turning`).
Suspensions move a real axis a little while it is steered; what is found is the mean over the
sweep.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.geometry.pose import Pose
from bench.geometry.rotation import skew
from bench.geometry.wheel_angles import (
    angles_of_steering_axis,
    steering_jacobian,
)
from bench.solve.covariance import propagate
from bench.solve.turning import Turning, fit_turning
from bench.typing import Array


@dataclass(frozen=True, eq=False)
class Steering:
    """A steering axis.

    Attributes
    ----------
    turning : Turning
        The axis, upward, and how far the wheel was steered at each reading.
    """

    turning: Turning

    def angles(self, R_frame_vehicle: Array, side: str) -> tuple[Array, Array]:
        """Return caster and inclination (2,), radians, and their covariance (2, 2).

        Parameters
        ----------
        R_frame_vehicle : (3, 3) float64
            The vehicle's axes in the frame of measurement, taken as known.
        side : str
            Of the wheel.
        """
        axis = R_frame_vehicle.T @ self.turning.axis
        covariance = R_frame_vehicle.T @ self.turning.turn_covariance @ R_frame_vehicle
        jacobian = steering_jacobian(axis, side) @ -skew(axis)  # of δ x axis
        return (
            np.array(angles_of_steering_axis(axis, side)),
            propagate(jacobian, covariance),
        )


def steering_axis(
    poses: Sequence[Pose], covariances: Sequence[Array], up: Array, play: float = 0.0
) -> Steering:
    """Return the steering axis from a braked wheel's target at several steer angles.

    Parameters
    ----------
    poses : sequence of N Pose
        T_frame_target, two at least.
    covariances : sequence of N (6, 6) float64
        Of each one's (ω, τ).
    up : (3,) float64
        Roughly upward.
    play : float
        Standard deviation of the wheel's own wander between readings, radians.

    Raises
    ------
    GeometryError
        Fewer than two readings, or the wheel was steered too little.
    """
    return Steering(
        fit_turning(
            [p.rotation for p in poses], [np.asarray(c)[:3, :3] for c in covariances], up, play
        )
    )
