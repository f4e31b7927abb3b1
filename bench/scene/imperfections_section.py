"""A bay file's [imperfections]: what its pictures suffer from beyond the [budget]'s causes."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from bench.scene.fields import given
from bench.scene.imperfections import Imperfections
from bench.scene.quantities import Quantity
from bench.strict import Section

Relative = Annotated[float, Field(ge=0.0, le=0.3, examples=[0.05])] | None
Fraction = Annotated[float, Field(ge=0.0, le=1.0, examples=[0.02])] | None
Spread = Annotated[float, Quantity("length", "0 mm", "1 mm")] | None
Scale = Annotated[float, Quantity("length", "0.1 mm", "1 m")] | None


class ImperfectionsSection(Section):
    """Sizes of what every picture of this bay is rendered with, beside the [budget]'s.

    "Standard" is a standard uncertainty of a normal distribution, "limit" the half width of a
    rectangular one. What is left out has the bench's own assumption.
    """

    ink_spread: Spread = None
    """Limit of how far ink runs over every edge, outward from the dark side."""
    paper: Relative = None
    """Standard, of the paper's reflectance from place to place, a fraction."""
    paper_scale: Scale = None
    """Distance over which it varies."""
    blur: Relative = None
    """Standard, of a lens's blur from the camera's, a fraction: how it was focused."""
    blur_corner: Annotated[float, Quantity("pixels", "0 px", "5 px")] | None = None
    """Limit of the blur that the picture's corner has beside the middle's: squares add."""
    exposure: Relative = None
    """Standard, of the light's level from picture to picture, a fraction."""
    gradient: Annotated[float, Quantity("gradient", "0 1/m", "10 1/m")] | None = None
    """Standard, of the light's relative change across the picture and down."""
    reflection_share: Fraction = None
    """Of pictures in which a lamp's reflection lies on the plate."""
    reflection_size: Scale = None
    """Standard deviation of its round profile."""
    reflection_level: Annotated[float, Field(ge=0.0, le=100.0, examples=[0.15])] | None = None
    """Its peak, as a fraction of what saturates a pixel."""
    dirt: Annotated[float, Field(ge=0.0, le=100.0, examples=[0.2])] | None = None
    """Mean number of spots on a plate."""
    dirt_size: Scale = None
    """Standard deviation of a spot's round profile."""
    dirt_depth: Fraction = None
    """Limit of what a spot swallows in its middle, a fraction."""

    def to_imperfections(self) -> Imperfections:
        """Return the sizes, defaults filled in."""
        return Imperfections(**given(self))
