"""Dimensions to measure on the floor: anchor points, the square check, aim points."""

from __future__ import annotations

import math
from dataclasses import dataclass

from bench.scene.model import Bay, Placement, Tower
from bench.scene.surroundings import Column
from bench.setting_out.placements import base_centre

# Of a tower's base: toward the centre line or away from it, toward the vehicle or away.
ANCHORS = ("inner_front", "outer_front", "inner_back", "outer_back")


@dataclass(frozen=True)
class Anchor:
    """One of a base plate's four anchor points.

    Attributes
    ----------
    name : str
        One of `ANCHORS`; "inner" is toward the centre line, "front" toward the vehicle.
    x, y : float
        In the bay, metres.
    """

    name: str
    x: float
    y: float

    @property
    def taped(self) -> float:
        """Distance from where centre line and tower line cross, metres.

        Of the point that whole millimetres give, as sheets print them: that is what gets built.
        """
        return 1e-3 * math.hypot(round(1e3 * self.x), round(1e3 * self.y))


@dataclass(frozen=True)
class AimPoint:
    """Where a camera's optical axis meets the upright plane over the near axle's line.

    Attributes
    ----------
    offset, height : float
        Metres; of what lies in the picture at the principal point when the aim is right.
    distance : float
        From the tower line to that plane, metres.
    """

    offset: float
    height: float
    distance: float


@dataclass(frozen=True)
class SquareCheck:
    """A rectangle on the floor whose two diagonals are equal when the lines are square.

    Two corners lie on the tower line, beside the towers, two on the near axle's line.

    Attributes
    ----------
    half : float
        Of each corner from the centre line, metres.
    along : float
        From the tower line to the other, metres.
    """

    half: float
    along: float

    @property
    def across(self) -> float:
        """Side along the tower line, metres."""
        return 2.0 * self.half

    @property
    def diagonal(self) -> float:
        """Both, where it is square, metres."""
        return math.hypot(self.across, self.along)

    def out_of_square(self, left_to_right: float, right_to_left: float) -> float:
        """Return how far the tower line is turned against the centre line, radians.

        Parameters
        ----------
        left_to_right, right_to_left : float
            Measured diagonals: from the tower line's left corner to the right one on the axle's
            line, and from its right corner to the left one, metres.

        Returns
        -------
        float
            Positive where the tower line's left end is too far from the vehicle. By the law of
            cosines d1² - d2² = 4 a b sin(angle), for a parallelogram of sides a and b.

        Raises
        ------
        ValueError
            No parallelogram with these sides has such diagonals.
        """
        sine = (left_to_right**2 - right_to_left**2) / (4.0 * self.across * self.along)
        return math.asin(sine)

    def difference(self, angle: float) -> float:
        """Return the diagonals' difference at an angle out of square, metres."""
        a, b = self.across, self.along
        base, skew = a * a + b * b, 2.0 * a * b * math.sin(angle)
        return math.sqrt(base + skew) - math.sqrt(base - skew)


def base_corners(placement: Placement, column: Column) -> list[tuple[float, float]]:
    """Return the corners of a plumb tower's base plate, x and y, metres, in turn."""
    x, y = base_centre(placement, column)
    a, b = 0.5 * column.base_along, 0.5 * column.base_across
    return [(x - a, y - b), (x - a, y + b), (x + a, y + b), (x + a, y - b)]


def anchors_of(placement: Placement, column: Column) -> tuple[Anchor, ...]:
    """Return a plumb tower's anchor points in the order of `ANCHORS`."""
    x, y = base_centre(placement, column)
    outward = math.copysign(1.0, placement.offset)
    half_x, half_y = 0.5 * column.anchors_along, 0.5 * column.anchors_across
    places = [(x + i * half_x, y + j * outward * half_y) for i in (-1, 1) for j in (-1, 1)]
    return tuple(Anchor(name, *place) for name, place in zip(ANCHORS, places, strict=True))


def aim_point(tower: Tower, distance: float) -> AimPoint | None:
    """Return where the optical axis meets the plane `distance` before the tower line.

    None where it points away from it or would meet it below the floor.
    """
    place = tower.placement
    ahead = math.cos(place.pitch) * math.cos(place.yaw)
    way = distance + place.forward
    if ahead <= 0.0 or way <= 0.0:
        return None
    length = way / ahead
    offset = place.offset - length * math.cos(place.pitch) * math.sin(place.yaw)
    height = place.height + length * math.sin(place.pitch)
    return None if height < 0.0 else AimPoint(offset, height, distance)


def square_check(bay: Bay) -> SquareCheck:
    """Return the bay's square check: as wide as its towers, as long as its standoff."""
    half = max(abs(tower.placement.offset) for tower in bay.towers)
    return SquareCheck(half, bay.standoff)
