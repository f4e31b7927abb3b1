"""The steering axis from a sweep: caster and steering-axis inclination.

With the brake on, the wheel turns with its upright about the steering axis alone: the target's
poses at several steer angles share that axis, exactly and at any angle (`bench.solve.turning`).
With the wheel free to roll on turn plates only its spin axes are left: they lie on a cone about
the steering axis, n · s is the same for all. Suspensions move a real axis a little while it is
steered; what is found is the mean over the sweep.

`caster_by_camber` is the trade's small-angle formula, for comparison.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.geometry.wheel_angles import (
    angles_of_axis,
    angles_of_steering_axis,
    steering_axis_of_angles,
    steering_jacobian,
)
from bench.solve.covariance import propagate
from bench.solve.turning import Turning, fit_turning
from bench.typing import Array

# Steer angle, each way, radians, at which the trade reads camber.
SWEEP = math.radians(20.0)


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
        x, y, z = axis
        # δ x axis
        moved = -np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
        jacobian = steering_jacobian(axis, side) @ moved
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


def steering_axis_of_cone(axes: Sequence[Array], up: Array) -> Array:
    """Return the steering axis (3,) from a free-rolling wheel's spin axes at N steer angles.

    The direction along which the axes vary least: least squares on n_k · s = mean(n · s).

    Raises
    ------
    GeometryError
        Fewer than three axes, or they lie on a line: two steer angles leave the axis open.
    """
    stack = np.stack([np.asarray(a, dtype=np.float64) for a in axes])
    apart = stack - stack.mean(axis=0)
    _, size, vt = np.linalg.svd(apart)
    if len(stack) < 3 or not size[1] > 1e-4 * size[0]:
        raise GeometryError(
            "spin axes at fewer than three steer angles, or nearly equal ones, leave the "
            "steering axis open; read a braked wheel's target, or steer farther"
        )
    axis = vt[2]
    return np.asarray(axis if axis @ np.asarray(up) > 0.0 else -axis, dtype=np.float64)


def caster_by_camber(camber_out: float, camber_in: float, sweep: float = SWEEP) -> float:
    """Return caster, radians, from camber at equal steer angles either way.

    ``(camber out - camber in) / (2 sin sweep)`` with *out* the wheel's front steered outward.
    Common practice, no source; to first order in caster, inclination and camber, so that its
    error is of their product: see `formula_error`.
    """
    if not 0.0 < sweep < 0.5 * math.pi:
        raise GeometryError(f"a sweep lies between 0 and 90 deg, got {math.degrees(sweep):g}")
    return (camber_out - camber_in) / (2.0 * math.sin(sweep))


def steered_axis(spin: Array, caster: float, inclination: float, side: str, steer: float) -> Array:
    """Return a wheel's spin axis (3,), vehicle frame, turned by `steer` about its steering axis.

    Positive steer turns it to the left (anticlockwise from above), radians.
    """
    axis = steering_axis_of_angles(caster, inclination, side)
    return np.asarray(exp_rotvec(steer * axis) @ spin)


def formula_error(
    spin: Array, caster: float, inclination: float, side: str, sweep: float = SWEEP
) -> float:
    """Return what `caster_by_camber` gives too much, radians, for a known geometry.

    The sweep is the change of toe, as a turn plate's scale reads it.
    """
    cambers = []
    for target in (-sweep, sweep):  # change of toe: out, then in
        cambers.append(_camber_at(spin, caster, inclination, side, target))
    return caster_by_camber(cambers[0], cambers[1], sweep) - caster


def _camber_at(spin: Array, caster: float, inclination: float, side: str, toe_in: float) -> float:
    start = angles_of_axis(spin, side)[0]
    # toe-in turns a left wheel to the right, clockwise
    way = -1.0 if side == "left" else 1.0
    steer = way * toe_in
    for _ in range(20):  # plate angle and turn about a leaning axis differ by a few per cent
        toe, camber = angles_of_axis(steered_axis(spin, caster, inclination, side, steer), side)
        steer += way * (toe_in - (toe - start))
    return camber
