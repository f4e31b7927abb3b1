"""Toe and camber of a wheel, and the axis that they belong to.

Vehicle frame, the axis directions of ISO 8855: x forward, y to the left, z up. A wheel is its
spin axis, a unit vector that points *outward*, to the wheel's own side. With s = +1 for a left
wheel and -1 for a right one::

    axis = R_z(-s toe) R_x(-s camber) (0, s, 0)
         = (sin toe cos camber, s cos toe cos camber, -sin camber)

so that toe is the angle from x of the line in which the wheel's plane cuts the horizontal,
positive where the wheel's front points inward, and camber is the angle of the wheel's plane
from z, positive where its top leans outward. The order matters: toe is turned last, about the
vehicle's z, camber first, about the wheel's own x.

Toe is ISO 8855:2011's static toe angle (7.1.6: between the vehicle's x and the wheel's plane,
about z; toe-in positive by convention). That standard takes camber about the vehicle's x, in the
front view, top outward positive (from memory); here it is the wheel's lean in its own plane, as a
gauge on the wheel reads it. The front view's tangent is larger by 1 / cos toe: 0.0008 deg more
for a camber of 5 deg at a toe of 1 deg.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from bench.errors import GeometryError
from bench.geometry.rotation import rotation_x, rotation_z
from bench.typing import Array

Side = Literal["left", "right"]
SIDES: tuple[Side, Side] = ("left", "right")


def sign_of(side: str) -> float:
    """Return +1 for the left side, -1 for the right.

    Raises
    ------
    GeometryError
        It is neither.
    """
    if side not in SIDES:
        raise GeometryError(f"a wheel's side is left or right, got '{side}'")
    return 1.0 if side == "left" else -1.0


def axis_of_angles(toe: float, camber: float, side: str) -> Array:
    """Return the outward spin axis (3,), vehicle frame, of toe and camber in radians."""
    s = sign_of(side)
    return np.asarray(
        rotation_z(-s * toe) @ rotation_x(-s * camber) @ np.array([0.0, s, 0.0]), dtype=np.float64
    )


def angles_of_axis(axis: Array, side: str) -> tuple[float, float]:
    """Return toe and camber, radians, of an outward spin axis (3,) in the vehicle frame.

    Raises
    ------
    GeometryError
        The axis isn't finite or points away from the wheel's side.
    """
    s = sign_of(side)
    x, y, z = (float(v) for v in axis)
    if not (math.isfinite(x) and math.isfinite(z) and s * y > 0.0):
        raise GeometryError(f"a {side} wheel's axis must point to the {side}, got {axis}")
    return math.atan2(x, s * y), math.atan2(-z, math.hypot(x, y))


def outward(axis: Array, side: str) -> Array:
    """Return a spin axis (3,), vehicle frame, turned so that it points to the wheel's side."""
    axis = np.asarray(axis, dtype=np.float64)
    return axis if axis[1] * sign_of(side) > 0.0 else -axis


def toe_length(toe: float, diameter: float) -> float:
    """Return toe as a length, metres: how much nearer the rim's front is than its rear.

    A wheel's plane cuts the horizontal in a line at `toe` to x, so that the rim's foremost and
    rearmost points at hub height differ by ``diameter · sin(toe)`` across the vehicle,
    whatever the camber. Give total toe of both wheels as the sum of their lengths.
    """
    return diameter * math.sin(toe)


def steering_axis_of_angles(caster: float, inclination: float, side: str) -> Array:
    """Return the upward steering axis (3,), vehicle frame, of caster and inclination, radians.

    Both are angles of projections (ISO 8855): caster in the side view, positive where the
    axis's top leans to the rear; inclination in the front view, positive where it leans inward.
    """
    s = sign_of(side)
    axis = np.array([-math.tan(caster), -s * math.tan(inclination), 1.0])
    return np.asarray(axis / np.linalg.norm(axis), dtype=np.float64)


def angles_of_steering_axis(axis: Array, side: str) -> tuple[float, float]:
    """Return caster and inclination, radians, of a steering axis (3,) in the vehicle frame.

    Raises
    ------
    GeometryError
        The axis is horizontal.
    """
    s = sign_of(side)
    x, y, z = (float(v) for v in axis)
    if not abs(z) > 1e-9 * math.hypot(x, y, z):  # also catches NaN
        raise GeometryError("a horizontal steering axis has neither caster nor inclination")
    return math.atan(-x / z), math.atan(-s * y / z)


def steering_jacobian(axis: Array, side: str) -> Array:
    """Return d(caster, inclination)/d(axis), (2, 3), radians."""
    s = sign_of(side)
    x, y, z = (float(v) for v in axis)
    a, b = x * x + z * z, y * y + z * z
    return np.array([[-z / a, 0.0, x / a], [0.0, -s * z / b, s * y / b]])
