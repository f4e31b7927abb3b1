"""The steering axis from a sweep: caster and steering-axis inclination.

With the brake on, the wheel turns with its upright about the steering axis alone: the target's
poses at several steer angles share that axis, exactly and at any angle (`bench.solve.turning`).
Suspensions move a real axis a little while it is steered; what is found is the mean over the
sweep.
"""

from __future__ import annotations

import numpy as np

from bench.geometry.rotation import skew
from bench.geometry.wheel_angles import angles_of_steering_axis, steering_jacobian
from bench.solve.covariance import propagate
from bench.solve.turning import Turning
from bench.typing import Array


def steering_angles(sweep: Turning, R_frame_vehicle: Array, side: str) -> tuple[Array, Array]:
    """Return caster and inclination (2,), radians, and their covariance (2, 2).

    Parameters
    ----------
    sweep : Turning
        The axis, upward, from a braked wheel's target at several steer angles.
    R_frame_vehicle : (3, 3) float64
        The vehicle's axes in the frame of measurement, taken as known.
    side : str
        Of the wheel.
    """
    axis = R_frame_vehicle.T @ sweep.axis
    covariance = R_frame_vehicle.T @ sweep.turn_covariance @ R_frame_vehicle
    jacobian = steering_jacobian(axis, side) @ -skew(axis)  # of δ x axis
    return np.array(angles_of_steering_axis(axis, side)), propagate(jacobian, covariance)
