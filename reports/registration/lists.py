"""Bar poses of common practice (no source): a case to study, not what the bench proposes."""

from __future__ import annotations

import math

from bench.scene.bar import BarPose, with_end_back
from bench.scene.model import Bay

AHEAD, BACK = 10 * 0.3048, 0.3048  # ten feet ahead of the towers, an end one foot back


def usual_list(bay: Bay, turn_deg: float) -> tuple[BarPose, ...]:
    """Return six views: turned both ways, so again with A's end back, and with B's end back."""
    base = BarPose(AHEAD, 0.0, bay.bar.heights[0])
    places = (
        base,
        with_end_back(base, bay.bar, a=BACK),
        with_end_back(base, bay.bar, b=BACK),
    )
    return tuple(
        BarPose(p.distance, p.offset, p.height, p.heading, p.slope, math.radians(sign * turn_deg))
        for p in places
        for sign in (-1.0, 1.0)
    )


def unmoved_list(bay: Bay, turn_deg: float) -> tuple[BarPose, ...]:
    """Return the same list as it is taken when neither end is ever moved."""
    first = usual_list(bay, turn_deg)[:2]
    return first * 3
