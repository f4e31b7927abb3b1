"""The mark on the floor where the target of a check for moved towers stands."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bench.geometry.pose import Pose


@dataclass(frozen=True)
class Mark:
    """Where the fixed target stands, facing the towers squarely but for its turn.

    Attributes
    ----------
    distance, offset, height : float
        From the tower line, from the centre line (positive to the left), and of its centre above
        the floor, metres.
    turn : float
        About the vertical, radians; a target seen squarely tells little of its own turn.
    place_sigma, turn_sigma : float
        Standard uncertainty of putting it back: along each axis, metres; about each, radians.
    """

    distance: float = 3.0
    offset: float = 0.0
    height: float = 0.6
    turn: float = 0.0
    place_sigma: float = 0.05e-3
    turn_sigma: float = math.radians(0.003)

    def T_bay_target(self) -> Pose:
        """Return the target's pose."""
        import numpy as np

        from bench.geometry.pose import Pose
        from bench.geometry.rotation import rotation_z
        from bench.scene.vehicle import R_BAY_SQUARE_TARGET

        turned = rotation_z(self.turn) @ R_BAY_SQUARE_TARGET
        return Pose(turned, np.array([-self.distance, self.offset, self.height]))
