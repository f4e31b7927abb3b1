"""Space of siting: where towers may stand and look, and what a layout must keep."""

from __future__ import annotations

import math
from dataclasses import dataclass

Interval = tuple[float, float]


@dataclass(frozen=True)
class SitingSpace:
    """What siting may choose from, and its constraints. Towers are placed mirror-symmetrically.

    Attributes
    ----------
    spacing, height, standoff : (float, float)
        Least and greatest: distance of the cameras across the bay, height of the camera's
        centre, distance from the tower line to the near axle; metres. A station keeps its
        distance from the bay's standoff when that changes.
    yaw, pitch : (float, float)
        Of the camera, radians; yaw positive inward.
    lenses : tuple of float
        Focal lengths to choose from, metres; empty keeps the camera's own.
    margin : float
        Room that a target keeps from the picture's edge, in widths of its plate. One width is
        common practice, no source.
    tilt : (float, float)
        Least and greatest angle between a target's normal and the line to its camera, radians.
    visible : float
        Least visible fraction of a target's plate.
    """

    spacing: Interval = (2.0, 5.0)
    height: Interval = (0.4, 2.5)
    standoff: Interval = (1.5, 4.0)
    yaw: Interval = (math.radians(-10.0), math.radians(45.0))
    pitch: Interval = (math.radians(-40.0), math.radians(10.0))
    lenses: tuple[float, ...] = ()
    margin: float = 1.0
    tilt: Interval = (math.radians(5.0), math.radians(65.0))
    visible: float = 0.98
