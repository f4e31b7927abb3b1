"""Ticks at chosen values, labelled as densely as their labels leave room."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

from bench.draw import style
from bench.draw.page_layout import POINT, text_width
from bench.typing import Array


def spread_ticks(positions: Sequence[float], labels: Sequence[str], scale: float) -> list[int]:
    """Choose which tick labels to show on a horizontal axis so that none touch.

    Parameters
    ----------
    positions : sequence of float
        In axis units, ascending.
    labels : sequence of str
        One for each.
    scale : float
        Inches for each axis unit.

    Returns
    -------
    list of int
        Indices to keep: always the first; the last takes precedence over its neighbours.
    """
    gap = 0.08
    half = [0.5 * text_width(label, style.SMALL) for label in labels]
    kept: list[int] = []
    for i, position in enumerate(positions):
        if not kept or (position - positions[kept[-1]]) * scale >= half[i] + half[kept[-1]] + gap:
            kept.append(i)
    last = len(positions) - 1
    if kept and kept[-1] != last:
        while len(kept) > 1 and (positions[last] - positions[kept[-1]]) * scale < (
            half[last] + half[kept[-1]] + gap
        ):
            kept.pop()
        if (positions[last] - positions[kept[-1]]) * scale >= half[last] + half[kept[-1]] + gap:
            kept.append(last)
    return kept


def set_ticks(axes: Axes, places: Array, values: Array, scale: float) -> None:
    """Tick a horizontal axis at places (N,), labelled with values (N,), as far as they fit.

    `scale` is inches for each axis unit.
    """
    labels = [style.plain(value) for value in values]
    kept = spread_ticks(places.tolist(), labels, scale)
    axes.xaxis.set_major_locator(FixedLocator(places[kept].tolist()))
    axes.xaxis.set_major_formatter(FixedFormatter([labels[i] for i in kept]))
    axes.xaxis.set_minor_locator(NullLocator())


def spread_rows(positions: Sequence[float], scale: float) -> list[int]:
    """As `spread_ticks`, for a vertical axis."""
    least = style.SMALL * 1.15 * POINT
    kept: list[int] = []
    for i, position in enumerate(positions):
        if not kept or (position - positions[kept[-1]]) * scale >= least:
            kept.append(i)
    return kept
