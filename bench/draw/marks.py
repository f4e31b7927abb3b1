"""Marks over the cells of a heat map: numbers, contours, outlines, axle ranges."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import Colormap, Normalize
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle
from matplotlib.patheffects import Normal, Stroke

from bench.draw import style
from bench.draw.page_layout import POINT, text_width
from bench.typing import Array, BoolArray

CASING = [Stroke(linewidth=3.4, foreground="black"), Normal()]
HOLDS = [Stroke(linewidth=4.2, foreground="white"), Normal()]
DOTS = (0, (1, 1.5))
GAP = 0.08  # least room beside a number in its cell, inches


def colour_cells(
    axes: Axes, x_edges: Array, y_edges: Array, values: Array, norm: Normalize, cmap: Colormap
) -> None:
    """Colour cells (T, R) between their true edges; hatch those without a value."""
    axes.pcolormesh(
        x_edges, y_edges, np.ma.masked_invalid(values), norm=norm, cmap=cmap, rasterized=True
    )
    for i, j in np.argwhere(~np.isfinite(values)):
        axes.add_patch(
            Rectangle(
                (x_edges[j], y_edges[i]),
                x_edges[j + 1] - x_edges[j],
                y_edges[i + 1] - y_edges[i],
                facecolor=style.NO_CASE,
                edgecolor="#8a8a8a",
                hatch=style.NO_CASE_HATCH,
                linewidth=0.0,
            )
        )
    axes.set_xlim(x_edges[0], x_edges[-1])
    axes.set_ylim(y_edges[0], y_edges[-1])


def number_cells(
    axes: Axes,
    x_edges: Array,
    y_edges: Array,
    values: Array,
    norm: Normalize,
    cmap: Colormap,
    words: Callable[[float], Sequence[str]],
    size: tuple[float, float],
    holds: BoolArray,
    doubtful: BoolArray,
) -> list[tuple[float, float, float, float]]:
    """Print each value where it fits its cell: bold if it holds, with "?" if it's doubtful.

    `words` gives the ways to write a value, the first that fits is taken.

    `size` is the panel's width and height, inches. Returns the boxes that are taken up, as
    left, low, right, high in inches from the panel's lower left corner.
    """
    taken = []
    line = style.SMALL * POINT
    x_scale = size[0] / (x_edges[-1] - x_edges[0])
    y_scale = size[1] / (y_edges[-1] - y_edges[0])
    tall = np.diff(y_edges) * y_scale >= 1.25 * line
    for i, j in np.argwhere(np.isfinite(values)):
        weight = "bold" if holds[i, j] else "normal"
        room = (x_edges[j + 1] - x_edges[j]) * x_scale - GAP
        mark = "?" if doubtful[i, j] else ""
        ways = (way + mark for way in words(float(values[i, j])))
        text = next((t for t in ways if text_width(t, style.SMALL, weight) <= room), None)
        if text is None or not tall[i]:
            continue
        width = text_width(text, style.SMALL, weight)
        colour = cmap(norm(values[i, j]))
        x, y = 0.5 * (x_edges[j] + x_edges[j + 1]), 0.5 * (y_edges[i] + y_edges[i + 1])
        artist = axes.text(
            x,
            y,
            text,
            ha="center",
            va="center_baseline",
            fontsize=style.SMALL,
            fontweight=weight,
            color=style.ink_on(colour),
            zorder=6,
        )
        # lines that run behind a number stop short of it
        artist.set_path_effects([Stroke(linewidth=2.5, foreground=colour), Normal()])
        left, low = (x - x_edges[0]) * x_scale - 0.5 * width, (y - y_edges[0]) * y_scale
        taken.append((left, low - 0.5 * line, left + width, low + 0.6 * line))
    return taken


def draw_contour(
    axes: Axes, x: Array, y: Array, values: Array, level: float, log: bool
) -> list[Array]:
    """Draw where the interpolated values (T, R) at cell centres cross `level`.

    Interpolation is linear, in the logarithm if `log`; cells without a value break the line.
    Returns the lines, each (N, 2); none if the level isn't crossed.
    """
    if not is_crossed(values, level):
        return []
    field = np.ma.masked_invalid(np.log(values) if log else values)
    threshold = np.log(level) if log else level
    lines = axes.contour(
        x, y, field, levels=[threshold], colors="white", linewidths=1.8, linestyles="-", zorder=4
    )
    lines.set_path_effects(CASING)
    lines.set_gid("tolerance contour")
    return [
        np.asarray(line, dtype=np.float64)
        for path in lines.get_paths()
        for line in path.to_polygons(closed_only=False)
    ]


def is_crossed(values: Array, level: float) -> bool:
    """Tell whether `draw_contour` finds a line between values (T, R)."""
    corners = np.stack((values[:-1, :-1], values[1:, :-1], values[:-1, 1:], values[1:, 1:]))
    known = np.isfinite(corners)
    below, above = (known & (corners < level)).any(axis=0), (known & (corners > level)).any(axis=0)
    # of four neighbours one may lack a value
    return bool(np.any(below & above & (known.sum(axis=0) >= 3)))


def label_contour(
    axes: Axes,
    lines: list[Array],
    text: str,
    size: tuple[float, float],
    taken: list[tuple[float, float, float, float]],
) -> None:
    """Write `text` on a contour where it covers no number; nowhere if there's no room.

    `lines` as `draw_contour` and `taken` as `number_cells` returns it; `size` is the panel's
    width and height, inches.
    """
    half_w, half_h = 0.5 * text_width(text, style.SMALL) + 0.04, 0.5 * style.SMALL * POINT + 0.03
    low, high = np.array([axes.get_xlim(), axes.get_ylim()]).T
    best, best_room = None, 0.0
    for a, b in (ends for line in lines for ends in pairwise((line - low) / (high - low) * size)):
        for x, y in a + np.linspace(0.0, 1.0, 9)[:, None] * (b - a):
            room = min(x - half_w, y - half_h, size[0] - x - half_w, size[1] - y - half_h)
            for left, bottom, right, top in taken:
                apart = (
                    x - half_w - right,
                    left - x - half_w,
                    y - half_h - top,
                    bottom - y - half_h,
                )
                room = min(room, max(apart))
            if room > best_room:
                best, best_room = (x, y), room
    if best is not None:
        axes.text(
            best[0] / size[0],
            best[1] / size[1],
            text,
            transform=axes.transAxes,
            ha="center",
            va="center",
            fontsize=style.SMALL,
            color="white",
            bbox={"facecolor": "black", "edgecolor": "none", "pad": 1.5},
            zorder=7,
        )


def boundary(mask: BoolArray, x_edges: Array, y_edges: Array) -> list[Array]:
    """Return the sides (2, 2) of cells in `mask` (T, R) that have no neighbour in it."""
    padded = np.pad(mask, 1)
    sides = []
    for i, j in np.argwhere(mask):
        left, right, low, high = x_edges[j], x_edges[j + 1], y_edges[i], y_edges[i + 1]
        for (di, dj), side in (
            ((0, -1), ((left, low), (left, high))),
            ((0, 1), ((right, low), (right, high))),
            ((-1, 0), ((left, low), (right, low))),
            ((1, 0), ((left, high), (right, high))),
        ):
            if not padded[i + 1 + di, j + 1 + dj]:
                sides.append(np.array(side))
    return sides


def outline_cells(axes: Axes, mask: BoolArray, x_edges: Array, y_edges: Array) -> None:
    """Draw one outline around all cells in `mask` (T, R)."""
    sides = boundary(mask, x_edges, y_edges)
    if sides:
        outline = LineCollection(
            sides, colors="black", linewidths=2.2, capstyle="projecting", zorder=5, clip_on=False
        )
        outline.set_path_effects(HOLDS)
        outline.set_gid("holds")
        axes.add_collection(outline, autolim=False)


def mark_axles(
    axes: Axes,
    places: Array,
    size: tuple[float, float],
    taken: Sequence[tuple[float, float, float, float]],
) -> None:
    """Mark axles at places (N,) on the range axis, if within it, by dotted lines and heads.

    A line breaks off where it would run through a number; `size` and `taken` as `label_contour`
    has them.
    """
    low, high = axes.get_xlim()
    for value in places.tolist():
        if low <= value <= high:
            x = (value - low) / (high - low) * size[0]
            ends = [end for pair in _free(x, size[1], taken) for end in (*pair, np.nan)]
            line = Line2D(
                np.full(len(ends), value),
                np.array(ends) / size[1],
                transform=axes.get_xaxis_transform(),
                color="white",
                linewidth=1.2,
                linestyle=DOTS,
            )
            axes.add_line(line)
            line.set_path_effects([Stroke(linewidth=2.6, foreground="#404040"), Normal()])
            line.set_gid("axle")
            axes.plot(
                [value],
                [1.0],
                transform=axes.get_xaxis_transform(),
                marker="v",
                markersize=6,
                color="black",
                markeredgecolor="white",
                clip_on=False,
                zorder=7,
            )


def _free(
    x: float, height: float, taken: Sequence[tuple[float, float, float, float]]
) -> list[tuple[float, float]]:
    """Return the parts of an upright line at x that keep clear of boxes, all in inches."""
    room = 0.5 * GAP
    parts, start = [], 0.0
    for left, low, right, high in sorted(taken, key=lambda box: box[1]):
        if left - room <= x <= right + room:
            parts.append((start, low))
            start = high
    parts.append((start, height))
    return [(a, b) for a, b in parts if b > a]


def contour_handle(label: str) -> Line2D:
    """Return the key's entry for a contour."""
    return Line2D([], [], color="white", linewidth=1.8, path_effects=CASING, label=label)


def holds_handle(label: str) -> Patch:
    """Return the key's entry for outlined cells."""
    return Patch(facecolor="none", edgecolor="black", linewidth=2.0, label=label)


def no_case_handle(label: str) -> Patch:
    """Return the key's entry for cells without a value."""
    return Patch(
        facecolor=style.NO_CASE,
        edgecolor="#8a8a8a",
        hatch=style.NO_CASE_HATCH,
        linewidth=0.0,
        label=label,
    )


def axle_handle(label: str) -> Line2D:
    """Return the key's entry for axle ranges."""
    return Line2D(
        [],
        [],
        color="#404040",
        linewidth=1.6,
        linestyle=DOTS,
        marker="v",
        markerfacecolor="black",
        markeredgecolor="white",
        markersize=6,
        label=label,
    )
