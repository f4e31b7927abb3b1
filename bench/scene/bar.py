"""The registration bar: a rigid bar on two stands that carries a target near each end.

Bar frame: origin half way between the targets' centres, x along the bar toward target A, y up
and z out of the targets' faces, when it stands unturned before the towers. Target A is seen by
the left tower, B by the right one, unless the bar stands reversed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from bench.errors import ConfigError
from bench.geometry.pose import Pose
from bench.geometry.rotation import rotation_x, rotation_z
from bench.scene.holder import stepped
from bench.scene.vehicle import R_BAY_SQUARE_TARGET
from bench.targets.design import MarkerDesign, build_target
from bench.targets.target import Target

MARKER_A, MARKER_B = 20, 21


def _marker(marker_id: int) -> Target:
    return build_target(MarkerDesign(marker_id=marker_id, size=0.2, plate=(0.26, 0.26)))


@dataclass(frozen=True, eq=False)
class Bar:
    """A bar with two targets, and the stands that it lies on, as `BarSection` says; SI units.

    Without presets the stands hold any angle in `turn_range`, to the step.

    Raises
    ------
    ConfigError
        Both targets carry the same markers: different ids tell them apart.
    """

    length: float = 1.9
    length_uncertainty: float | None = 0.2e-3
    target_a: Target = field(default_factory=lambda: _marker(MARKER_A))
    target_b: Target = field(default_factory=lambda: _marker(MARKER_B))
    turn_presets: tuple[float, ...] = ()
    turn_range: tuple[float, float] = (-math.pi / 3.0, math.pi / 3.0)
    angle_step: float = math.pi / 180.0
    heights: tuple[float, ...] = (0.4, 0.7)
    level_sensitivity: float = 1e-4

    def __post_init__(self) -> None:
        both = set(self.target_a.markers) & set(self.target_b.markers)
        if self.target_a.dictionary == self.target_b.dictionary and both:
            raise ConfigError(
                f"bar: targets A and B both carry marker {min(both)}; with different ids a swap "
                "shows"
            )

    @property
    def T_bar_a(self) -> Pose:
        """Target A's nominal pose on the bar."""
        return Pose(np.eye(3), np.array([0.5 * self.length, 0.0, 0.0]))

    @property
    def T_bar_b(self) -> Pose:
        """Target B's nominal pose on the bar."""
        return Pose(np.eye(3), np.array([-0.5 * self.length, 0.0, 0.0]))

    @property
    def T_a_b(self) -> Pose:
        """B's nominal pose in A's frame."""
        return self.T_bar_a.inverse() @ self.T_bar_b

    def turns(self, spacing: float) -> tuple[float, ...]:
        """Return angles at which the stands hold the bar, ascending.

        Presets, all of them; otherwise the ends of the range and what divides it evenly into
        intervals of `spacing` (radians) at most, to the step.
        """
        if self.turn_presets:
            return tuple(sorted(self.turn_presets))
        return stepped(self.turn_range, self.angle_step, spacing)

    def target(self, end: str) -> Target:
        """Return the target at end ``"A"`` or ``"B"``."""
        return self.target_a if end == "A" else self.target_b


@dataclass(frozen=True)
class BarPose:
    """How the bar stands in the bay, each number as `PoseSection` says; metres, radians.

    The turn is right-handed about the targets' own x. Laid end for end, A stands on the right and
    both targets are upside down.
    """

    distance: float
    offset: float = 0.0
    height: float = 0.5
    heading: float = 0.0
    slope: float = 0.0
    turn: float = 0.0
    reversed: bool = False

    @property
    def T_bay_bar(self) -> Pose:
        """The bar's pose in the bay."""
        rotation = (
            rotation_z(self.heading)
            @ rotation_x(self.slope)
            @ R_BAY_SQUARE_TARGET
            @ rotation_x(self.turn)
        )
        if self.reversed:
            # a half turn about the faces' normal: end for end, and back to face the towers
            rotation = rotation @ np.diag([-1.0, -1.0, 1.0])
        return Pose(rotation, np.array([-self.distance, self.offset, self.height]))

    @property
    def words(self) -> str:
        """Say it in a line."""
        parts = [f"{self.distance:.2f} m from the tower line"]
        if abs(self.offset) >= 0.005:
            side = "left" if self.offset > 0 else "right"
            parts.append(f"{abs(self.offset):.2f} m {side} of the centre line")
        parts.append(f"{self.height:.2f} m high")
        if abs(self.heading) >= 5e-4:
            end = "A" if (self.heading > 0) != self.reversed else "B"
            parts.append(f"{end}'s end back by {abs(math.degrees(self.heading)):.1f} deg")
        if abs(self.slope) >= 5e-4:
            end = "A" if (self.slope > 0) != self.reversed else "B"
            parts.append(f"{end}'s end up by {abs(math.degrees(self.slope)):.1f} deg")
        turn = round(math.degrees(self.turn), 1)
        parts.append(f"turned {turn:+g} deg" if turn else "unturned")
        if self.reversed:
            parts.append("end for end")
        return ", ".join(parts)
