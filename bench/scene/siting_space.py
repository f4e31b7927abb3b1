"""Space of siting: where towers may stand and look, and what a layout must keep."""

from __future__ import annotations

import math
from dataclasses import dataclass

Interval = tuple[float, float]


@dataclass(frozen=True)
class SitingSpace:
    """What siting may choose from and must keep, each as `SitingSection` says; metres, radians.

    Towers are placed mirror-symmetrically; yaw is positive inward. A station keeps its distance
    from the bay's standoff when that changes. A margin of one width is common practice, no source.
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
