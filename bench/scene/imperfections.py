"""Imperfections of a bay's pictures beyond geometry: ink, paper, light, dirt, blur."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace


@dataclass(frozen=True)
class Imperfections:
    """Sizes of imperfections that `BudgetTerms` has no key for: each number has one home.

    Defaults are our own assumptions for a careful workshop; no source. "Standard" means a
    standard uncertainty of a normal distribution, "limit" the half width of a rectangular one.
    SI units.

    Attributes
    ----------
    ink_spread : float
        Limit of how far ink runs over every edge, outward from the dark side, metres.
    paper : float
        Standard, of the paper's reflectance from place to place, relative.
    paper_scale : float
        Distance over which it varies, metres.
    blur : float
        Standard, of a lens's blur from the bay file's, relative: how it was focused.
    blur_corner : float
        Limit of the blur that the picture's corner has beside the middle's, pixels: squares add.
    exposure : float
        Standard, of the light's level from picture to picture, relative.
    gradient : float
        Standard, of the light's relative change across a picture and down, 1/m.
    reflection_share : float
        Of pictures in which a lamp's reflection lies on the plate.
    reflection_size : float
        Standard deviation of its round profile, metres.
    reflection_level : float
        Its peak, a fraction of what saturates a pixel.
    dirt : float
        Mean number of spots on a plate.
    dirt_size : float
        Standard deviation of a spot's round profile, metres.
    dirt_depth : float
        Limit of what a spot swallows in its middle, relative: evenly from 0.
    """

    ink_spread: float = 20e-6
    paper: float = 0.005
    paper_scale: float = 0.05
    blur: float = 0.05
    blur_corner: float = 0.4
    exposure: float = 0.05
    gradient: float = 0.05
    reflection_share: float = 0.02
    reflection_size: float = 20e-3
    reflection_level: float = 0.15
    dirt: float = 0.2
    dirt_size: float = 2e-3
    dirt_depth: float = 0.3


# Of a picture that is as drawn; scales stay, so that nothing is divided by zero.
AS_DRAWN = replace(
    Imperfections(),
    **{
        one.name: 0.0
        for one in fields(Imperfections)
        if one.name not in ("paper_scale", "reflection_size", "dirt_size")
    },
)
