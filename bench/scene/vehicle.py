"""Vehicles, where they stand, and how their wheels carry targets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from bench.geometry.pose import Pose
from bench.geometry.rotation import rotation_x, rotation_z
from bench.typing import Array

Side = Literal["left", "right"]
# A target that faces straight toward the tower line, as columns: seen from there its right is
# the vehicle's left, its up is up, and its normal is the bay's x.
R_BAY_SQUARE_TARGET = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


@dataclass(frozen=True)
class Mount:
    """How a wheel carries its target, each number as `MountSection` says; metres, radians."""

    outboard: float = 0.25
    forward: float = 0.0
    up: float = 0.0
    turn: float = 0.0
    pitch: float = 0.0
    turn_presets: tuple[float, ...] = (0.0,)
    pitch_presets: tuple[float, ...] = (0.0,)


@dataclass(frozen=True)
class Axle:
    """An axle of a vehicle, each measure as `AxleSection` says, metres."""

    name: str
    behind: float
    track: float
    wheel_height: float
    tyre_radius: float
    tyre_width: float
    mount: Mount


@dataclass(frozen=True)
class Body:
    """A vehicle's body, a block that may hide targets, as `BodySection` says, metres."""

    width: float
    height: float
    front_overhang: float
    rear_overhang: float
    ground_clearance: float


@dataclass(frozen=True)
class Vehicle:
    """A vehicle that the bay is meant for, near axle first."""

    name: str
    axles: tuple[Axle, ...]
    body: Body

    @property
    def wheelbase(self) -> float:
        """Distance of the far axle from the near one, metres."""
        return self.axles[-1].behind

    @property
    def width(self) -> float:
        """Of the widest part: body, or tyres; without targets."""
        return max(self.body.width, *(axle.track + axle.tyre_width for axle in self.axles))


@dataclass(frozen=True)
class Station:
    """A place where vehicles stand while they are measured, as `StationSection` says, metres."""

    name: str
    standoff: float
    lift: float = 0.0


@dataclass(frozen=True, eq=False)
class Wheel:
    """A wheel where it stands in the bay.

    Attributes
    ----------
    vehicle, axle, station : str
        Names.
    side : str
        ``"left"`` or ``"right"``, the vehicle's.
    centre : (3,) float64
        Bay frame, metres.
    mount : Mount
        How it carries its target.
    """

    vehicle: str
    axle: str
    station: str
    side: Side
    centre: Array
    mount: Mount

    @property
    def name(self) -> str:
        """Such as ``"front left"``."""
        return f"{self.axle} {self.side}"

    @property
    def T_bay_target(self) -> Pose:
        """The target's pose, the wheel straight ahead and upright."""
        outward = 1.0 if self.side == "left" else -1.0
        mount = self.mount
        rotation = (
            rotation_z(outward * mount.turn) @ R_BAY_SQUARE_TARGET @ rotation_x(-mount.pitch)
        )
        offset = np.array([mount.forward, outward * mount.outboard, mount.up])
        return Pose(rotation, self.centre + offset)


def wheels_at(vehicle: Vehicle, station: Station) -> tuple[Wheel, ...]:
    """Return a vehicle's wheels where they stand at a station, near axle first, left first."""
    sides: tuple[tuple[Side, float], ...] = (("left", 1.0), ("right", -1.0))
    return tuple(
        Wheel(
            vehicle.name,
            axle.name,
            station.name,
            side,
            np.array(
                [
                    -(station.standoff + axle.behind),
                    sign * 0.5 * axle.track,
                    station.lift + axle.wheel_height,
                ]
            ),
            axle.mount,
        )
        for axle in vehicle.axles
        for side, sign in sides
    )
