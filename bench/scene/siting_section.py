"""The part of a bay file that says what siting may choose from and must keep."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from bench.scene.fields import AngleInterval, Fraction, LengthInterval, given
from bench.scene.quantities import FOCAL_LENGTH, Interval, Quantities
from bench.scene.siting_space import SitingSpace
from bench.strict import Section

LENSES = Quantities("length", FOCAL_LENGTH.low, FOCAL_LENGTH.high)
"""Focal lengths to choose from."""


class SitingSection(Section):
    """What `sightbench site` may choose from, and what a layout must keep."""

    spacing: LengthInterval | None = None
    """Least and greatest distance of the cameras across the bay; 2 to 5 m when left out."""
    height: LengthInterval | None = None
    """Least and greatest height of the cameras' centres; 0.4 to 2.5 m when left out."""
    standoff: LengthInterval | None = None
    """Least and greatest distance from the tower line to the near axle; 1.5 to 4 m when left
    out."""
    yaw: AngleInterval | None = None
    """Least and greatest yaw, positive inward for both towers; -10 to 45 deg when left out."""
    pitch: AngleInterval | None = None
    """Least and greatest pitch, positive upwards; -40 to 10 deg when left out."""
    lenses: Annotated[tuple[float, ...], LENSES] | None = None
    """Focal lengths to choose from; needs the cameras' pixel_pitch. The cameras' own when left
    out."""
    margin: Annotated[float, Field(ge=0.0, le=10.0, examples=[1.0])] | None = None
    """Room that a target keeps from the picture's edge, in widths of its plate; 1 when left
    out."""
    tilt: Annotated[tuple[float, float], Interval("angle", "0 deg", "89 deg")] | None = None
    """Least and greatest angle between a target's normal and the line to its camera; 5 to 65 deg
    when left out."""
    visible: Fraction | None = None
    """Least visible fraction of a target's plate; 0.98 when left out."""

    @model_validator(mode="after")
    def _no_lens_twice(self) -> SitingSection:
        if self.lenses is not None and len(set(self.lenses)) < len(self.lenses):
            raise ValueError("lenses has a value twice")
        return self

    def to_siting(self) -> SitingSpace:
        """Return the space."""
        return SitingSpace(**given(self))
