"""Cables on a bay's floor: their routes, and where vehicles drive over them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from bench.scene.occupancy import base_centre
from bench.scene.surroundings import Cable

if TYPE_CHECKING:
    from bench.scene.model import Bay

BEHIND = 0.1  # of a base plate's back edge, where a route that nobody gave runs, metres
FROM_BOOK = "between the towers"


@dataclass(frozen=True)
class Route:
    """A cable's route as sheets draw it.

    Attributes
    ----------
    cable : Cable
        Its name and points.
    covered : tuple of ((float, float), (float, float))
        Its parts in the drive-through lane, ends x and y, metres: under drive-over covers.
    given : bool
        Whether the bay file has it.
    """

    cable: Cable
    covered: tuple[tuple[tuple[float, float], tuple[float, float]], ...]
    given: bool

    @property
    def length(self) -> float:
        """On the floor, metres."""
        return sum(math.dist(a, b) for a, b in pairwise(self.cable.points))

    @property
    def cover(self) -> float:
        """Length of its covers, metres."""
        return sum(math.dist(a, b) for a, b in self.covered)


def lane(bay: Bay) -> float | None:
    """Return the half width of the lane that vehicles are driven through, metres, or None."""
    room = bay.surroundings.drive_through
    if room is None:
        return None
    return 0.5 * max(vehicle.width for vehicle in bay.vehicles) + room


def routes(bay: Bay) -> tuple[Route, ...]:
    """Return the bay file's routes, or one behind the outermost towers where it has none."""
    given = bay.surroundings.cables
    cables = given or (_between(bay),)
    half = lane(bay)
    return tuple(
        Route(cable, () if half is None else _within(cable, half), bool(given)) for cable in cables
    )


def _between(bay: Bay) -> Cable:
    column = bay.surroundings.column
    bases = sorted((base_centre(tower, column) for tower in bay.towers), key=lambda p: -p[1])
    back = max(x for x, _ in bases) + 0.5 * column.base_along + BEHIND
    (x0, y0), (x1, y1) = bases[0], bases[-1]
    edge = 0.5 * column.base_along
    return Cable(FROM_BOOK, ((x0 + edge, y0), (back, y0), (back, y1), (x1 + edge, y1)))


def _within(
    cable: Cable, half: float
) -> tuple[tuple[tuple[float, float], tuple[float, float]], ...]:
    """Return the parts of a route with abs(y) below a half width."""
    found = []
    for (x0, y0), (x1, y1) in pairwise(cable.points):
        if y0 == y1:
            inside = (0.0, 1.0) if abs(y0) < half else (0.0, 0.0)
        else:
            at = sorted(((-half - y0) / (y1 - y0), (half - y0) / (y1 - y0)))
            inside = max(at[0], 0.0), min(at[1], 1.0)
        if inside[1] > inside[0]:
            a, b = ((x0 + t * (x1 - x0), y0 + t * (y1 - y0)) for t in inside)
            found.append((a, b))
    return tuple(found)
