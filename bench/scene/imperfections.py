"""Imperfections of a bay's pictures beyond geometry: ink, paper, light, dirt, blur."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace


@dataclass(frozen=True)
class Imperfections:
    """Sizes of imperfections that `BudgetTerms` has no key for: each number has one home.

    Each is as `ImperfectionsSection` says; metres, pixels, 1/m, fractions. Defaults are our own
    assumptions for a careful workshop; no source.
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
