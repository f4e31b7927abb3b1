"""Colours of the maps' cells: what a map may show, and the classes that paint it.

A class a colour, rather than a colour a cell: the page's policy allows no style attribute, and
any cell changes its quantity by changing its class.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from matplotlib.colors import Colormap, Normalize, to_hex

from bench.draw import style
from bench.draw.cell_grid import CellGrid
from bench.report.cell_facts import colour_words

STEPS = 32  # of a colour map; neighbours differ by less than an eye tells in cells apart
KEY_EVERY = 2
MAPS = {"e": style.ERROR_MAP, "r": style.RATE_MAP}


@dataclass(frozen=True, eq=False)
class Quantity:
    """What a map may show.

    Attributes
    ----------
    column, label : str
        Of the table of cells; in words.
    norm : Normalize
        From values to the colour map.
    map : str
        Which of `MAPS`.
    words : callable
        Says a value.
    unit : str
        Of the numbers.
    """

    column: str
    label: str
    norm: Normalize
    map: str
    words: Callable[[float], str]
    unit: str

    def paint(self, value: float | None) -> str:
        """Return the class that paints a value; of none, ``"blank"``."""
        if value is None:
            return "blank"
        share = min(max(float(self.norm(value)), 0.0), 1.0)
        return f"{self.map}{round(share * (STEPS - 1))}"

    def said(self, value: float | None) -> str:
        """Return a value as a cell has room for it."""
        return "none" if value is None else self.words(value)

    @property
    def key(self) -> dict[str, Any]:
        """The key to its colours: the classes in order and what their ends mean."""
        ends = [float(self.norm.vmin or 0.0), float(self.norm.vmax or 1.0)]
        scale = 100.0 if self.unit == "%" else 1.0
        return {
            "label": self.label,
            "unit": self.unit,
            "paints": [f"{self.map}{i}" for i in range(0, STEPS, KEY_EVERY)],
            "ends": [f"{style.plain(scale * end)} {self.unit}" for end in ends],
        }


def quantities(grid: CellGrid, statistic: str) -> list[Quantity]:
    """Return what the maps may show, the one that they show first before the others."""

    def error(column: str, label: str, unit: str) -> Quantity:
        return Quantity(column, label, style.error_norm(grid.values(column)), "e", _error, unit)

    def rate(column: str, label: str) -> Quantity:
        return Quantity(column, label, style.rate_norm(), "r", style.percent, "%")

    return [
        error(f"{statistic}_rot_deg", "rotation error, 95th percentile", "deg"),
        error("rms_rot_deg", "rotation error, RMS", "deg"),
        error("rms_along_mm", "position error along the line of sight, RMS", "mm"),
        error("bound_rot_deg", "bound on the rotation error", "deg"),
        rate("success_rate", "usable and within tolerance"),
        rate("usable_rate", "usable rate"),
        rate("detection_rate", "detection rate"),
        rate("efficiency_rot", "efficiency: bound over RMS"),
    ]


def stylesheet() -> str:
    """Return the rules of the classes that paint cells, with an ink that stands out on each."""
    return "\n".join(
        _rule(f"{name}{i}", cmap, i) for name, cmap in MAPS.items() for i in range(STEPS)
    )


def _rule(name: str, cmap: Colormap, step: int) -> str:
    rgba = cmap(step / (STEPS - 1))
    return f".{name} {{ background: {to_hex(rgba)}; color: {style.ink_on(rgba)}; }}"


def _error(value: float) -> str:
    return colour_words(value)
