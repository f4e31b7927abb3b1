"""Pictures of how well a camera is known over the frame, and of what changed since earlier."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import LogNorm, Normalize
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullLocator

from bench.cameras.calibration_change import Change
from bench.cameras.overlay_marks import magnification
from bench.cameras.projection_uncertainty import FAR, ProjectionMap
from bench.draw import marks, style
from bench.draw.cell_grid import edges
from bench.draw.page_layout import Box, Page, panel_title
from bench.typing import Array

PANEL = 4.0  # inches across
NUMBERS = (4, 3)  # columns and rows of numbers written over a panel
ARROWS = (13, 9)


def write_projection_figure(out: Path, found: ProjectionMap, note: str) -> Path:
    """Draw and write calibration_uncertainty.png; `RunError` where it can't be written."""
    with style.applied():
        return style.save(projection_figure(found, note), out / "calibration_uncertainty.png")


def write_change_figure(out: Path, change: Change, note: str) -> Path:
    """Draw and write calibration_change.png; `RunError` where it can't be written."""
    with style.applied():
        return style.save(change_figure(change, note), out / "calibration_change.png")


def projection_figure(found: ProjectionMap, note: str) -> Figure:
    """Draw the standard uncertainty of a projected point, at the boards' median range and far."""
    shown = [len(found.ranges_m) // 2 - 1, len(found.ranges_m) - 1]
    norm = style.error_norm(found.sigma_px[shown])
    middle, far = (found.sigma_px[k] for k in shown)
    page = Page(
        "How well the camera knows where a point appears",
        "standard uncertainty of a projected point, in the direction in which it is largest",
        f"At the boards' median range, {found.ranges_m[shown[0]]:.3g} m, "
        f"{np.nanmin(middle):.2g} to {np.nanmax(middle):.2g} px; at {FAR:g} times that, "
        f"{np.nanmin(far):.2g} to {np.nanmax(far):.2g} px. From the full covariance of lens, "
        f"board and poses. Numbers are pixels at their places.\n{note}",
        _height(found.u, found.v) + 0.95,
    )
    words = (f"boards' median range, {found.ranges_m[shown[0]]:.3g} m", "far away")
    for index, (k, title) in enumerate(zip(shown, words, strict=True)):
        axes = page.axes(_box(index, found.u, found.v))
        _map(axes, found.u, found.v, found.sigma_px[k], norm, first=index == 0)
        panel_title(axes, title)
    _bar(page, norm, _height(found.u, found.v), "standard uncertainty (px)")
    return page.figure


def change_figure(change: Change, note: str) -> Figure:
    """Draw what changed since another calibration, and how significant it is."""
    significance = change.significance
    norm = style.error_norm(significance)
    steps = [np.linspace(0, len(a) - 1, n).round().astype(int)
             for a, n in ((change.u, ARROWS[0]), (change.v, ARROWS[1]))]  # fmt: skip
    moved = change.moved_px[np.ix_(steps[1], steps[0])].reshape(-1, 2)
    known = np.isfinite(moved[:, 0])
    factor = magnification(moved[known], 0.06 * float(change.u[-1]))
    verdict = "has changed" if change.shown else "no change is shown"
    page = Page(
        f"Two calibrations of one camera: {verdict}",
        "later less earlier, after the turn of the camera that leaves least",
        f"χ² = {change.chi_square:.1f} with {change.freedom} degrees of freedom, p = "
        f"{change.p:.2g}. Right: length of the change over its standard uncertainty; where "
        f"nothing changed it exceeds 2 in some 5 of 100 places, neighbours alike.\n{note}",
        _height(change.u, change.v) + 0.95,
        [Line2D([], [], color=style.OKABE_ITO[0], linewidth=1.2, label=f"change × {factor:g}")],
    )
    axes = page.axes(_box(0, change.u, change.v))
    places = np.stack(np.meshgrid(change.u[steps[0]], change.v[steps[1]]), axis=-1).reshape(-1, 2)
    axes.quiver(
        *places[known].T, *(factor * moved[known]).T, angles="xy", scale_units="xy", scale=1.0,
        width=0.004, color=style.OKABE_ITO[0],
    )  # fmt: skip
    _frame(axes, change.u, change.v, first=True)
    panel_title(axes, f"change, drawn × {factor:g}")
    axes = page.axes(_box(1, change.u, change.v))
    _map(axes, change.u, change.v, significance, norm, first=False)
    panel_title(axes, "change over its standard uncertainty")
    _bar(page, norm, _height(change.u, change.v), "times its standard uncertainty")
    return page.figure


def _height(u: Array, v: Array) -> float:
    return PANEL * float(v[-1] / u[-1])


def _box(index: int, u: Array, v: Array) -> Box:
    return Box(0.6 + index * (PANEL + 0.15), 0.35, PANEL, _height(u, v))


def _map(axes: Axes, u: Array, v: Array, values: Array, norm: Normalize, *, first: bool) -> None:
    across, down = edges(u), edges(v)
    marks.colour_cells(axes, across, down, values, norm, style.ERROR_MAP)
    columns, rows = NUMBERS
    for i in (np.arange(rows) + 0.5) * len(v) / rows:
        for j in (np.arange(columns) + 0.5) * len(u) / columns:
            value = values[int(i), int(j)]
            if np.isfinite(value):
                colour = style.ink_on(style.ERROR_MAP(norm(value)))
                axes.text(
                    u[int(j)], v[int(i)], style.number(float(value)), ha="center", va="center",
                    fontsize=style.SMALL, color=colour,
                )  # fmt: skip
    _frame(axes, u, v, first=first)


def _frame(axes: Axes, u: Array, v: Array, *, first: bool) -> None:
    across, down = edges(u), edges(v)
    axes.set_xlim(across[0], across[-1])
    axes.set_ylim(down[-1], down[0])  # v runs down, as in the picture
    axes.set_aspect("equal")
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5]))
    axes.set_xlabel("u (px)")
    if first:
        axes.set_ylabel("v (px)")
    else:
        axes.tick_params(labelleft=False)


def _bar(page: Page, norm: LogNorm, height: float, label: str) -> None:
    axes = page.axes(Box(0.6 + 2 * (PANEL + 0.15) + 0.05, 0.35, 0.15, height))
    bar = page.figure.colorbar(ScalarMappable(norm, style.ERROR_MAP), cax=axes)
    bar.set_label(label)
    bar.locator = LogLocator(subs=(1.0, 2.0, 5.0))
    bar.formatter = FuncFormatter(lambda v, _: style.plain(v))
    bar.minorlocator = NullLocator()
    bar.update_ticks()
