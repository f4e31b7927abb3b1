"""Found targets placed on wheels by where they are and not by their ids."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, permutations, product
from typing import TypeVar

import numpy as np

from bench.aiming.finding import FoundTarget
from bench.errors import ConfigError
from bench.geometry.rotation import angle_between
from bench.scene.model import Bay, Tower
from bench.scene.vehicle import Station, Vehicle, Wheel, wheels_at
from bench.typing import Array

Thing = TypeVar("Thing", Vehicle, Station)
# How far things may be off before a tower is aimed, as standard deviations; our own estimates,
# no source. They only choose among wheels, metres apart, and among vehicles.
RANGE = 0.15  # metres: where a vehicle stops and a tower stands
BETWEEN = math.radians(3.0)  # of the angle between two targets, for the same reasons
LOOKS = math.radians(15.0)  # of a camera's direction from its plan
# A target on another wheel than its id says must be that much more likely, as a sum of squares:
# three standard deviations of one number.
SWAP = 9.0


@dataclass(frozen=True, eq=False)
class Placing:
    """Found targets on the wheels of a vehicle.

    Attributes
    ----------
    vehicle, station : str
        Which stands where.
    pairs : tuple of (FoundTarget, Wheel)
        Each target with the wheel that it hangs on.
    cost : float
        Sum of squares, see the constants of this module; the smaller the likelier.
    range_off : float
        The largest difference of a range from the plan's, metres.
    """

    vehicle: str
    station: str
    pairs: tuple[tuple[FoundTarget, Wheel], ...]
    cost: float
    range_off: float


def place(
    bay: Bay,
    tower: Tower,
    found: Sequence[FoundTarget],
    vehicle: str | None = None,
    station: str | None = None,
) -> Placing:
    """Return the likeliest placing of found targets, one at least.

    What a camera that may look anywhere knows of a target is its range, and the angle to the
    other targets; its own direction counts for little.

    Parameters
    ----------
    vehicle, station : str, optional
        Which stands where; the likeliest by default.

    Raises
    ------
    ConfigError
        The bay has no such vehicle or station, or fewer wheels than targets were found.
    """
    there = [
        (v, s)
        for v, s in product(named("vehicle", bay.vehicles, vehicle), bay.stations)
        if s in named("station", bay.stations, station)
    ]
    placings = [one for v, s in there for one in _placings(tower, found, v, s)]
    if not placings:
        raise ConfigError(
            f"{len(found)} targets are in the picture, more than a vehicle of this bay has wheels"
        )
    return min(placings, key=lambda one: one.cost)


def named(what: str, known: Sequence[Thing], *names: str | None) -> list[Thing]:
    """Return those that names ask for, all without one.

    Raises
    ------
    ConfigError
        None has a name.
    """
    asked, there = [name for name in names if name is not None], [one.name for one in known]
    for name in asked:
        if name not in there:
            raise ConfigError(f"--{what}: the bay has no '{name}'; it has {', '.join(there)}")
    return [one for one in known if not asked or one.name in asked]


def _placings(
    tower: Tower, found: Sequence[FoundTarget], vehicle: Vehicle, station: Station
) -> list[Placing]:
    """Return every placing of targets on a vehicle's wheels that face the tower."""
    eye = tower.T_bay_camera
    wheels = [w for w in wheels_at(vehicle, station) if _faces(w, eye.translation)]
    planned = [eye.inverse() @ w.T_bay_target.translation for w in wheels]
    seen = [one.position for one in found]
    placings = []
    for chosen in permutations(range(len(wheels)), len(found)):
        own = [planned[i] for i in chosen]
        swaps = sum(
            one.owner not in (None, wheels[i].name) for one, i in zip(found, chosen, strict=True)
        )
        off = [
            abs(float(np.linalg.norm(p)) - float(np.linalg.norm(q)))
            for p, q in zip(seen, own, strict=True)
        ]
        cost = SWAP * swaps + sum((one / RANGE) ** 2 for one in off) + _directions(seen, own)
        pairs = tuple((one, wheels[i]) for one, i in zip(found, chosen, strict=True))
        placings.append(Placing(vehicle.name, station.name, pairs, cost, max(off)))
    return placings


def _directions(seen: Sequence[Array], planned: Sequence[Array]) -> float:
    """Return what speaks against targets' directions, as a sum of squares."""
    alone = sum(
        (angle_between(p, q) / LOOKS) ** 2 for p, q in zip(seen, planned, strict=True)
    ) / len(seen)
    between = sum(
        ((angle_between(seen[i], seen[j]) - angle_between(planned[i], planned[j])) / BETWEEN) ** 2
        for i, j in combinations(range(len(seen)), 2)
    )
    return alone + between


def _faces(wheel: Wheel, eye: Array) -> bool:
    T = wheel.T_bay_target
    return bool(T.rotation[:, 2] @ (eye - T.translation) > 0.0)
