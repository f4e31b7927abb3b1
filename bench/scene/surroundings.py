"""Surroundings: what stands in a bay beside towers and the measured vehicle."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Room:
    """Walls and ceiling, each distance as `RoomSection` says, metres."""

    ahead: float
    behind: float
    left: float
    right: float
    height: float


@dataclass(frozen=True)
class Box:
    """A box on the floor, or above it, as `BoxSection` says; metres, radians."""

    name: str
    centre: tuple[float, float]
    size: tuple[float, float, float]
    bottom: float = 0.0
    yaw: float = 0.0


@dataclass(frozen=True)
class Post:
    """An upright cylinder, such as a lift's post."""

    name: str
    centre: tuple[float, float]
    radius: float
    height: float


@dataclass(frozen=True)
class MeshObject:
    """A mesh from a file that trimesh reads, as `MeshSection` says; `path` is absolute."""

    name: str
    path: Path
    scale: float
    position: tuple[float, float, float]
    yaw: float = 0.0


@dataclass(frozen=True)
class ParkedVehicle:
    """Another vehicle in the way: the near axle's middle at `position`, nose along its own x."""

    name: str
    vehicle: str
    position: tuple[float, float]
    yaw: float = 0.0


Obstacle = Box | Post | MeshObject | ParkedVehicle


@dataclass(frozen=True)
class Lamp:
    """A lamp, a point of light; `level` is relative to the others."""

    name: str
    position: tuple[float, float, float]
    level: float = 1.0


@dataclass(frozen=True)
class Column:
    """The body of every tower, each measure as `ColumnSection` says, metres."""

    base_across: float = 0.40
    base_along: float = 0.40
    anchors_across: float = 0.32
    anchors_along: float = 0.32
    shaft: float = 0.12
    reach: float = 0.10


@dataclass(frozen=True)
class Floor:
    """The floor's slopes, radians: positive rises toward the towers, and to the vehicle's left."""

    along: float = 0.0
    across: float = 0.0


@dataclass(frozen=True)
class Cable:
    """A cable along the floor; `points` of its route are x and y, metres."""

    name: str
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Surroundings:
    """All of it.

    Attributes
    ----------
    room : Room or None
        None where walls don't matter.
    drive_through : float or None
        Clear width that a vehicle needs on either side to be driven between the towers,
        metres; None where it isn't driven through.
    """

    room: Room | None = None
    obstacles: tuple[Obstacle, ...] = ()
    lamps: tuple[Lamp, ...] = ()
    column: Column = Column()
    floor: Floor = Floor()
    drive_through: float | None = None
    cables: tuple[Cable, ...] = ()
