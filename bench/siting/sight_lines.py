"""Visible fractions tabulated over where the cameras stand: hiding doesn't depend on the aim."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np
import scipy

from bench.scene.model import Bay, Tower, wheels_of_tower
from bench.scene.vehicle import Wheel
from bench.siting.tower_layout import Layout, with_layout
from bench.typing import Array

# Places along spacing, height and standoff: between them fractions are interpolated, and what
# is found is judged again exactly.
PLACES = (10, 3, 4)
Visibility = Callable[[Bay, Tower, Wheel], float]


@dataclass(frozen=True, eq=False)
class SightLines:
    """Visible fractions on a grid of spacing, height and standoff.

    Attributes
    ----------
    tables : mapping of str to RegularGridInterpolator
        By tower; each gives the fractions (..., N) of its wheels.
    """

    tables: Mapping[str, scipy.interpolate.RegularGridInterpolator]

    def at(self, tower: str, x: Array) -> Array:
        """Return the fractions (L, N) for spacings, heights and standoffs (L, 3)."""
        table = self.tables[tower]
        low, high = (np.array([axis[end] for axis in table.grid]) for end in (0, -1))
        return np.asarray(table(np.clip(x, low, high)))


def tabulate(bay: Bay, visibility: Visibility, towers: tuple[str, ...]) -> SightLines:
    """Return visible fractions over a bay's siting space.

    Parameters
    ----------
    bay : Bay
        Two towers.
    visibility : callable
        Of bay, tower and wheel: the fraction.
    towers : tuple of str
        Names of those looked from.
    """
    ends = [getattr(bay.siting, name) for name in ("spacing", "height", "standoff")]
    axes = [
        np.linspace(low, high if high > low else low + 1e-6, count)
        for (low, high), count in zip(ends, PLACES, strict=True)
    ]
    found: dict[str, list[list[float]]] = {name: [] for name in towers}
    for spacing, height, standoff in product(*axes):
        moved = with_layout(bay, Layout(spacing, height, standoff, 0.0, 0.0))
        for tower in moved.towers:
            if tower.name in found:
                wheels = wheels_of_tower(moved, tower)
                found[tower.name].append([visibility(moved, tower, wheel) for wheel in wheels])
    return SightLines(
        {
            name: scipy.interpolate.RegularGridInterpolator(
                axes, np.array(table).reshape(*PLACES, -1)
            )
            for name, table in found.items()
        }
    )
