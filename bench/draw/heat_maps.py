"""Heat maps over range and tilt, one panel a pipeline (and pitch), on one shared scale."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Colormap, LogNorm, Normalize
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, NullLocator

from bench.draw import marks, style
from bench.draw.cell_grid import CellGrid, Facet, edges
from bench.draw.map_info import MapInfo
from bench.draw.page_layout import (
    MARGIN,
    Box,
    Page,
    PanelGrid,
    panel_title,
    shorten,
    text_width,
    title_lines,
)
from bench.draw.ticks import set_ticks, spread_rows
from bench.survey.verdicts import HOLDS, UNDECIDED
from bench.typing import BoolArray

BAR_ROOM = 0.95
MOST_ROWS = 4


@dataclass(frozen=True, eq=False)
class HeatMap:
    """What a page of heat maps shows.

    Attributes
    ----------
    column : str
        Of the cells table.
    title, subtitle, bar_label, caption : str
        Words around it.
    norm, cmap : Normalize, Colormap
        Shared by all panels.
    words : callable
        Gives the ways to write a value in its cell, the best first.
    empty : str
        What a cell without a value means.
    level, level_name, level_label : float or None, str, str
        Tolerance whose contour is drawn, what it is, and its number with unit.
    bar_unit : float
        Factor from values to the bar's numbers: 100 for rates in per cent.
    verdict : str or None
        Column with a verdict a cell (`bench.survey.verdicts`).
    holds_label : str
        Words for the outline around cells that hold.
    """

    column: str
    title: str
    subtitle: str
    bar_label: str
    caption: str
    norm: Normalize
    cmap: Colormap
    words: Callable[[float], Sequence[str]]
    empty: str
    level: float | None = None
    level_name: str = ""
    level_label: str = ""
    bar_unit: float = 1.0
    verdict: str | None = None
    holds_label: str = ""


def heat_map_figure(grid: CellGrid, shown: HeatMap, info: MapInfo) -> Figure:
    """Draw a page of heat maps, one panel a pipeline and pitch."""
    panels = panel_grid(grid, "0.000")
    page = Page(
        shown.title, shown.subtitle, shown.caption, panels.height, _handles(grid, shown, info)
    )
    draw_panels(page, panels, grid, shown, info, 0.0)
    return page.figure


def draw_panels(
    page: Page, panels: PanelGrid, grid: CellGrid, shown: HeatMap, info: MapInfo, top: float
) -> None:
    """Draw all panels of a heat map and its colour bar, `top` inches below the body's top."""
    for index, facet in zip(places(grid, panels), grid.facets, strict=True):
        box = panels.box(index).down(top)
        axes = page.axes(box)
        if not grid.is_pitched:
            panel_title(axes, *title_lines(facet.pipeline, box.width))
        else:
            panel_title(axes, f"pitch {style.plain(facet.pitch_deg)} deg")
            if facet.pitch_deg == grid.pitches_deg[0]:
                name = shorten(facet.pipeline, panels.width, style.NORMAL, "bold")
                above = box.top - panels.head + 0.2
                page.text(box.left, above, name, fontsize=style.NORMAL, fontweight="bold")
        _draw_panel(axes, grid, facet, shown, info, box)
        label_axes(axes, grid, box, panels.is_lowest(index), panels.is_first_column(index))
    _add_bar(page, panels, shown, top)


def places(grid: CellGrid, panels: PanelGrid) -> list[int]:
    """Return where each facet goes; with several pitches each pipeline starts a row."""
    if not grid.is_pitched:
        return list(range(len(grid.facets)))
    pitches = len(grid.pitches_deg)
    block = -(-pitches // panels.columns) * panels.columns
    return [p * block + i for p in range(len(grid.pipelines)) for i in range(pitches)]


def panel_grid(grid: CellGrid, widest: str, row: float = 0.32) -> PanelGrid:
    """Return the grid with the most panels in a row that still leaves room for the numbers.

    `widest` is a number of typical length, `row` the height of a cell, inches. With several
    pitches each pipeline starts a row. Where four rows aren't enough to give four cells in five
    their number, numbers are given up and panels are set as if they fitted.
    """
    width = style.WIDTH - 2.0 * MARGIN - BAR_ROOM
    height = float(np.clip(row * len(grid.turns_deg), 4.0 * row, 3.6))
    x = edges(grid.x(grid.ranges_m))
    pitches = len(grid.pitches_deg)
    count = pitches if grid.is_pitched else len(grid.pipelines)
    repeats = len(grid.pipelines) if grid.is_pitched else 1

    def panels(columns: int) -> PanelGrid:
        rows = -(-count // columns) * repeats
        # without pitches the last row may end early
        total = rows * columns if grid.is_pitched else count
        grid_of = PanelGrid(total, columns, width, height)
        lines = max(len(title_lines(name, grid_of.panel_width)) for name in grid.pipelines)
        two = grid.is_pitched or lines > 1
        return PanelGrid(total, columns, width, height, head=0.5) if two else grid_of

    most = min(count, 2 if count in (2, 4) and not grid.is_pitched else 3)
    for columns in range(most, 0, -1):
        if grid.is_pitched and columns < most and count % columns:
            continue  # a row that ends early would only make the page longer
        tried = panels(columns)
        cells = np.diff(x) * tried.panel_width / (x[-1] - x[0])
        room = np.mean(cells >= text_width(widest, style.SMALL) + marks.GAP)
        if room >= 0.8 and tried.rows <= MOST_ROWS:
            return tried
    return panels(most)


def label_axes(axes: Axes, grid: CellGrid, box: Box, lowest: bool, first: bool) -> None:
    """Label a panel's ticks at the cell centres, and its axes where nothing else does."""
    centres = grid.x(grid.ranges_m)
    x, y = edges(centres), edges(grid.turns_deg)
    set_ticks(axes, centres, grid.ranges_m, box.width / (x[-1] - x[0]))
    rows = spread_rows(list(grid.turns_deg), box.height / (y[-1] - y[0]))
    axes.yaxis.set_major_locator(FixedLocator(list(grid.turns_deg[rows])))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: style.plain(v)))
    axes.yaxis.set_minor_locator(NullLocator())
    if lowest:
        axes.set_xlabel(grid.range_label)
    if first:
        axes.set_ylabel(grid.turn_label)


def _add_bar(page: Page, panels: PanelGrid, shown: HeatMap, top: float) -> None:
    """Add the colour bar right of the panels, with a line at the tolerance."""
    rows = min(panels.rows, 2)
    height = rows * panels.panel_height + (rows - 1) * (panels.head + panels.foot)
    axes = page.axes(Box(panels.width + 0.15, panels.head, 0.2, height).down(top))
    norm = shown.norm
    bar = page.figure.colorbar(ScalarMappable(norm, shown.cmap), cax=axes)
    bar.set_label(shown.bar_label)
    low, high = float(norm.vmin or 0.0), float(norm.vmax or 1.0)
    if isinstance(norm, LogNorm):
        bar.locator = LogLocator(subs=(1.0, 2.0, 5.0) if high / low < 1300.0 else (1.0,))
    bar.formatter = FuncFormatter(lambda v, _: style.plain(shown.bar_unit * v))
    bar.minorlocator = NullLocator()
    bar.update_ticks()
    if shown.level is not None and low <= shown.level <= high:
        line = axes.axhline(shown.level, color="white", linewidth=1.8)
        line.set_path_effects(marks.CASING)


def _draw_panel(
    axes: Axes, grid: CellGrid, facet: Facet, shown: HeatMap, info: MapInfo, box: Box
) -> None:
    x, y = edges(grid.x(grid.ranges_m)), edges(grid.turns_deg)
    values = grid.array(facet, shown.column)
    holds, doubtful = _verdicts(grid, facet, shown.verdict)
    marks.colour_cells(axes, x, y, values, shown.norm, shown.cmap)
    marks.outline_cells(axes, holds, x, y)
    size = (box.width, box.height)
    taken = marks.number_cells(
        axes, x, y, values, shown.norm, shown.cmap, shown.words, size, holds, doubtful
    )
    marks.mark_axles(axes, grid.x(info.axle_ranges_m), size, taken)
    if shown.level is not None:
        log = isinstance(shown.norm, LogNorm)
        line = marks.draw_contour(
            axes, grid.x(grid.ranges_m), grid.turns_deg, values, shown.level, log
        )
        marks.label_contour(axes, line, shown.level_label, size, taken)


def _verdicts(grid: CellGrid, facet: Facet, column: str | None) -> tuple[BoolArray, BoolArray]:
    shape = (len(grid.turns_deg), len(grid.ranges_m))
    if column is None:
        return np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    return grid.equals(facet, column, HOLDS), grid.equals(facet, column, UNDECIDED)


def _handles(grid: CellGrid, shown: HeatMap, info: MapInfo) -> Sequence[Artist]:
    handles: list[Artist] = []
    if shown.level is not None and any(
        marks.is_crossed(grid.array(facet, shown.column), shown.level) for facet in grid.facets
    ):
        handles.append(
            marks.contour_handle(f"{shown.level_name} {shown.level_label}, interpolated")
        )
    if shown.verdict is not None and (grid.cells[shown.verdict] == HOLDS).any():
        handles.append(marks.holds_handle(shown.holds_label))
    if np.any(~np.isfinite(grid.values(shown.column))):
        handles.append(marks.no_case_handle(shown.empty))
    low, high = edges(grid.x(grid.ranges_m))[[0, -1]]
    axles = grid.x(info.axle_ranges_m)
    if np.any((low <= axles) & (axles <= high)):
        handles.append(marks.axle_handle("range of an axle"))
    return handles
