"""The vehicle's frame from its measured wheels, and every angle with the line it refers to.

The frame: z is the given upward direction, or the normal of the plane of the wheels' centres;
x lies square to z along the reference line, y to the left (ISO 8855's directions). Lines:

- *centre line*: through the middles of the rearmost and the foremost track;
- *rear track*: square to the line through both rear wheels' centres, for vehicles whose front
  track isn't measured;
- *thrust line*: the direction in which the rear wheels roll, half way between their headings.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from bench.errors import GeometryError
from bench.geometry.rotation import exp_rotvec
from bench.geometry.wheel_angles import angles_of_axis, sign_of
from bench.typing import Array

Line = Literal["centre line", "rear track"]
# Central differences of quantities of order one in float64: the cube root of its precision,
# 6e-6, balances truncation against rounding.
STEP = 6e-6


@dataclass(frozen=True, eq=False)
class WheelState:
    """A wheel as measured, in any frame that all the vehicle's wheels share.

    Attributes
    ----------
    axle, side : str
        Such as ``"front"`` and ``"left"``.
    axis : (3,) float64
        Outward spin axis.
    centre : (3,) float64
        Metres.
    """

    axle: str
    side: str
    axis: Array
    centre: Array

    @property
    def name(self) -> str:
        """Such as ``"front left"``."""
        return f"{self.axle} {self.side}"


@dataclass(frozen=True)
class Quantity:
    """What is told of a vehicle.

    Attributes
    ----------
    kind : str
        ``toe``, ``camber``, ``total toe``, ``thrust``, ``setback``, ``track`` or ``wheelbase``.
    axle, side : str
        Empty where it is the vehicle's.
    reference : str
        Line, plane or part that it refers to.
    unit : {"rad", "m"}
        Of its value.
    """

    kind: str
    axle: str
    side: str
    reference: str
    unit: str

    @property
    def name(self) -> str:
        """Such as ``"front left toe"``."""
        return " ".join(word for word in (self.axle, self.side, self.kind) if word)


def axles_of(wheels: Sequence[WheelState]) -> tuple[str, ...]:
    """Return the names of the axles, foremost first as the wheels are given.

    Raises
    ------
    GeometryError
        An axle hasn't exactly one left and one right wheel, or there is none.
    """
    axles = tuple(dict.fromkeys(wheel.axle for wheel in wheels))
    if not axles:
        raise GeometryError("no wheel is given")
    for axle in axles:
        sides = sorted(wheel.side for wheel in wheels if wheel.axle == axle)
        if sides != ["left", "right"]:
            raise GeometryError(
                f"the {axle} axle needs one left and one right wheel, got {', '.join(sides)}"
            )
    return axles


def quantities(
    axles: Sequence[str], line: Line = "centre line", vertical: str = "level"
) -> tuple[Quantity, ...]:
    """Return what `vehicle_values` returns, in its order."""
    found = []
    for axle in axles:
        found += [Quantity("toe", axle, side, line, "rad") for side in ("left", "right")]
        if axle != axles[-1]:
            found += [
                Quantity("toe", axle, side, "thrust line", "rad") for side in ("left", "right")
            ]
        found.append(Quantity("total toe", axle, "", "the other wheel", "rad"))
        found += [Quantity("camber", axle, side, vertical, "rad") for side in ("left", "right")]
        found.append(Quantity("track", axle, "", "wheel centres", "m"))
        found.append(Quantity("setback", axle, "", line, "m"))
    found.append(Quantity("thrust", "", "", line, "rad"))
    if len(axles) > 1:
        found += [
            Quantity("wheelbase", "", side, f"{axles[0]} to {axles[-1]}", "m")
            for side in ("left", "right")
        ]
    return tuple(found)


def upward_of_centres(centres: Array, towards: Array) -> Array:
    """Return the normal (3,) of the plane of wheel centres (N, 3), on the side of `towards`.

    Raises
    ------
    GeometryError
        The centres lie on a line.
    """
    apart = np.asarray(centres, dtype=np.float64)
    apart = apart - apart.mean(axis=0)
    _, size, vt = np.linalg.svd(apart)
    if len(size) < 2 or not size[1] > 1e-6 * size[0]:
        raise GeometryError("the wheels' centres lie on a line: no plane")
    normal = vt[2]
    return np.asarray(normal if normal @ towards > 0.0 else -normal, dtype=np.float64)


def upward_of_wheels(wheels: Sequence[WheelState]) -> Array:
    """Return the normal (3,) of the plane of the wheels' centres, upward as left and front tell.

    Raises
    ------
    GeometryError
        One axle, or centres on a line.
    """
    return upward_of_centres(np.stack([w.centre for w in wheels]), _rough_up(wheels))


def vehicle_rotation(wheels: Sequence[WheelState], up: Array, line: Line = "centre line") -> Array:
    """Return R_measured_vehicle (3, 3), whose columns are the vehicle's axes where measured.

    Raises
    ------
    GeometryError
        No reference line: one axle for the centre line, or wheels one above the other.
    """
    axles = axles_of(wheels)
    centre = {(w.axle, w.side): np.asarray(w.centre, dtype=np.float64) for w in wheels}
    z = np.asarray(up, dtype=np.float64) / np.linalg.norm(up)

    def middle(axle: str) -> Array:
        return np.asarray(0.5 * (centre[axle, "left"] + centre[axle, "right"]))

    if line == "centre line":
        if len(axles) < 2:
            raise GeometryError("a centre line needs two axles; refer to the rear track instead")
        ahead = middle(axles[0]) - middle(axles[-1])
    else:
        ahead = np.cross(centre[axles[-1], "left"] - centre[axles[-1], "right"], z)
    ahead = ahead - (ahead @ z) * z
    length = float(np.linalg.norm(ahead))
    if not length > 1e-6:
        raise GeometryError(f"the wheels' centres give no {line}")
    x = ahead / length
    return np.column_stack((x, np.cross(z, x), z))


def vehicle_values(
    wheels: Sequence[WheelState], up: Array | None, line: Line = "centre line"
) -> Array:
    """Return the values (Q,) of `quantities`, radians and metres.

    Thrust is half the difference of the rearmost axle's toes, right less left: the heading of
    the thrust line, positive to the left (ISO 8855: about z). Setback is how far the right
    wheel stands behind the left one. Wheelbases are distances along x.

    Parameters
    ----------
    wheels : sequence of WheelState
        Left and right of each axle, foremost axle first.
    up : (3,) float64 or None
        Upward direction where they were measured; None takes the wheels' centres, whose
        normal is taken upward by the axes' turn from left to right.
    line : {"centre line", "rear track"}
        Of reference.
    """
    axles = axles_of(wheels)
    if up is None:
        up = upward_of_wheels(wheels)
    rotation = vehicle_rotation(wheels, up, line)
    by = {(w.axle, w.side): w for w in wheels}
    angles = {key: angles_of_axis(rotation.T @ w.axis, w.side) for key, w in by.items()}
    place = {key: rotation.T @ np.asarray(w.centre) for key, w in by.items()}
    rear = axles[-1]
    thrust = 0.5 * (angles[rear, "right"][0] - angles[rear, "left"][0])
    found: list[float] = []
    for axle in axles:
        left, right = angles[axle, "left"], angles[axle, "right"]
        found += [left[0], right[0]]
        if axle != rear:
            # from the thrust line, which points to the left by `thrust`
            found += [left[0] + thrust, right[0] - thrust]
        found += [left[0] + right[0], left[1], right[1]]
        apart = place[axle, "left"] - place[axle, "right"]
        found += [float(apart[1]), float(apart[0])]
    found.append(thrust)
    if len(axles) > 1:
        found += [
            float(place[axles[0], side][0] - place[rear, side][0]) for side in ("left", "right")
        ]
    return np.array(found)


def disturbed(
    wheels: Sequence[WheelState], up: Array | None, x: Array
) -> tuple[list[WheelState], Array | None]:
    """Return wheels and up moved by small x (6 W + 3): per wheel a turn, then a shift; up's turn.

    Turns are rotation vectors, radians, in the frame of measurement; shifts are metres.
    """
    moved = [
        WheelState(
            w.axle,
            w.side,
            exp_rotvec(x[6 * i : 6 * i + 3]) @ w.axis,
            w.centre + x[6 * i + 3 : 6 * i + 6],
        )
        for i, w in enumerate(wheels)
    ]
    return moved, None if up is None else exp_rotvec(x[-3:]) @ up


def vehicle_jacobian(
    wheels: Sequence[WheelState], up: Array | None, line: Line = "centre line"
) -> Array:
    """Return d(values)/d(x), (Q, 6 W + 3), with x of `disturbed`, by central differences."""

    def values(x: Array) -> Array:
        moved, turned = disturbed(wheels, up, x)
        return vehicle_values(moved, turned, line)

    return numerical_jacobian(values, 6 * len(wheels) + 3)


def numerical_jacobian(function: Callable[[Array], Array], size: int) -> Array:
    """Return df/dx (Q, P) at x = 0 of a function of x (P,) by central differences."""
    columns = []
    for i in range(size):
        step = np.zeros(size)
        step[i] = STEP
        columns.append((function(step) - function(-step)) / (2.0 * STEP))
    return np.stack(columns, axis=1)


def _rough_up(wheels: Sequence[WheelState]) -> Array:
    """Return an upward direction: forward × left, forward from the rear to the front axle."""
    axles = axles_of(wheels)
    across = sum(sign_of(w.side) * np.asarray(w.centre) for w in wheels)
    ahead = np.mean([w.centre for w in wheels if w.axle == axles[0]], axis=0) - np.mean(
        [w.centre for w in wheels if w.axle == axles[-1]], axis=0
    )
    if len(axles) < 2:
        raise GeometryError("one axle's wheel centres give no plane")
    return np.asarray(np.cross(ahead, across), dtype=np.float64)
