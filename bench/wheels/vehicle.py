"""Every angle of a vehicle with its uncertainty, from its wheels' axes, registration and level."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.geometry.uncertain import axes_change, point_response
from bench.geometry.vehicle_angles import (
    Line,
    Quantity,
    WheelState,
    axles_of,
    disturbed,
    numerical_jacobian,
    quantities,
    upward_of_wheels,
    vehicle_jacobian,
    vehicle_rotation,
    vehicle_values,
)
from bench.solve.covariance import propagate
from bench.solve.turning import Turning
from bench.solve.wheel_axis import WheelAxis
from bench.typing import Array
from bench.wheels.steering import steering_angles


@dataclass(frozen=True, eq=False)
class MeasuredWheel:
    """A wheel's axis with its place on the vehicle and who measured it.

    Attributes
    ----------
    axle, side : str
        Such as ``"front"`` and ``"left"``.
    tower : str
        Whose frame `wheel` is in; any name but ``"right"`` is the common frame's.
    wheel : WheelAxis
        As measured.
    steering : Turning or None
        From a sweep, in the same tower's frame.
    """

    axle: str
    side: str
    tower: str
    wheel: WheelAxis
    steering: Turning | None = None

    @property
    def name(self) -> str:
        """Such as ``"front left"``."""
        return f"{self.axle} {self.side}"


@dataclass(frozen=True)
class Answer:
    """One number that the user reads.

    Attributes
    ----------
    quantity : Quantity
        What it is and what it refers to.
    value, sigma : float
        Value and standard uncertainty, radians or metres.
    """

    quantity: Quantity
    value: float
    sigma: float


@dataclass(frozen=True, eq=False)
class MeasuredVehicle:
    """A vehicle's answers, and its wheels in the vehicle's own frame."""

    answers: tuple[Answer, ...]
    covariance: Array
    wheels: tuple[WheelState, ...]


def measure_vehicle(
    wheels: Sequence[MeasuredWheel],
    up: tuple[Array, Array] | None,
    registration: tuple[Pose, Array] | None = None,
    line: Line = "centre line",
    vertical: str = "level",
) -> MeasuredVehicle:
    """Return every angle with its standard uncertainty.

    Parameters
    ----------
    wheels : sequence of MeasuredWheel
        Left and right of each axle, foremost axle first.
    up : ((3,), (3, 3) float64) or None
        Upward in the common frame and its covariance; None takes the wheels' centres.
    registration : (Pose, (6, 6) float64), optional
        T_left_right and its covariance, for wheels of the right tower; the common frame is then
        the left tower's.
    line, vertical : str
        What angles refer to; see `bench.geometry.vehicle_angles`.

    Raises
    ------
    GeometryError
        Wheels are missing, lie so that no frame can be made, or stand where their names don't
        say: left and right, or the towers, were swapped.
    """
    size = 6 * len(wheels) + 3
    noise = np.zeros((size, size))
    shared = np.zeros((size, 6))
    states = []
    for i, one in enumerate(wheels):
        at = slice(6 * i, 6 * i + 6)
        axis, centre, covariance = one.wheel.axis, one.wheel.centre, one.wheel.covariance
        if one.tower == "right" and registration is not None:
            T = registration[0]
            covariance = propagate(axes_change(T.rotation, T.rotation), covariance)
            shared[6 * i : 6 * i + 3, :3] = T.rotation
            shared[6 * i + 3 : 6 * i + 6] = point_response(T, centre)
            axis, centre = T.rotation @ axis, T @ centre
        noise[at, at] = covariance
        states.append(WheelState(one.axle, one.side, axis, centre))
    if registration is not None:
        noise += propagate(shared, registration[1])
    if up is not None:
        noise[-3:, -3:] = up[1]
    _refuse_crossed(states)
    direction = None if up is None else up[0]
    values = vehicle_values(states, direction, line)
    covariance = propagate(vehicle_jacobian(states, direction, line), noise)
    named = quantities(axles_of(states), line, vertical)
    answers = [
        Answer(q, float(v), float(np.sqrt(max(0.0, c))))
        for q, v, c in zip(named, values, np.diag(covariance), strict=True)
    ]
    if up is None:
        up = _up_of_centres(states, noise)
    rotation = vehicle_rotation(states, up[0], line)
    answers += _steering(wheels, rotation, up[1], registration, vertical)
    turned = tuple(_in_vehicle(s, rotation, states) for s in states)
    return MeasuredVehicle(tuple(answers), covariance, turned)


def _refuse_crossed(states: Sequence[WheelState]) -> None:
    """Refuse wheels whose places contradict their names.

    The outward axis of a left wheel points from the right one to it.
    """
    by = {(s.axle, s.side): s for s in states}
    for axle in axles_of(states):
        left, right = by[axle, "left"], by[axle, "right"]
        apart = np.asarray(left.centre) - np.asarray(right.centre)
        if not float(apart @ (left.axis - right.axis)) > 0.0:
            raise GeometryError(
                f"the {axle} left wheel stands to the right of the {axle} right one: names of "
                "wheels or of towers are swapped"
            )


def _up_of_centres(states: Sequence[WheelState], noise: Array) -> tuple[Array, Array]:
    """Return the normal of the wheels' centres and the covariance (3, 3) of its turn."""
    up = upward_of_wheels(states)

    def turn(x: Array) -> Array:
        return np.asarray(np.cross(up, upward_of_wheels(disturbed(states, None, x)[0])))

    return up, propagate(numerical_jacobian(turn, len(noise)), noise)


def _steering(
    wheels: Sequence[MeasuredWheel],
    rotation: Array,
    level: Array,
    registration: tuple[Pose, Array] | None,
    vertical: str,
) -> list[Answer]:
    found = []
    # up tilted about the vehicle's y is a change of caster, about x one of inclination; the
    # centre line's own error, times the other angle, is a hundredth of these
    tilt = (rotation.T @ level @ rotation)[[1, 0]][:, [1, 0]]
    for one in wheels:
        if one.steering is None:
            continue
        frame, extra = rotation, np.zeros((2, 2))
        if one.tower == "right" and registration is not None:
            T, covariance = registration
            frame = T.rotation.T @ rotation
            turn = (frame.T @ covariance[:3, :3] @ frame)[[1, 0]][:, [1, 0]]
            extra = turn
        values, own = steering_angles(one.steering, frame, one.side)
        sigma = np.sqrt(np.diag(own) + np.diag(tilt) + np.diag(extra))
        for kind, value, u in zip(("caster", "inclination"), values, sigma, strict=True):
            quantity = Quantity(kind, one.axle, one.side, vertical, "rad")
            found.append(Answer(quantity, float(value), float(u)))
    return found


def _in_vehicle(state: WheelState, rotation: Array, states: Sequence[WheelState]) -> WheelState:
    """Return a wheel in the vehicle's frame, origin under the middle of the rearmost axle."""
    rear = [np.asarray(s.centre) for s in states if s.axle == states[-1].axle]
    origin = np.mean(rear, axis=0)
    return WheelState(
        state.axle,
        state.side,
        rotation.T @ state.axis,
        rotation.T @ (np.asarray(state.centre) - origin),
    )


def by_name(answers: Sequence[Answer]) -> Mapping[tuple[str, str], Answer]:
    """Return answers by name and reference."""
    return {(a.quantity.name, a.quantity.reference): a for a in answers}
