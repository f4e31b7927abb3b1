"""Curves of the rotation error: against range at chosen tilts, against tilt at chosen ranges."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

from bench.draw import marks, style
from bench.draw.cell_grid import CellGrid, choose
from bench.draw.map_info import MapInfo
from bench.draw.page_layout import Page, PanelGrid, panel_title, title_lines
from bench.draw.style import PipelineStyle
from bench.draw.ticks import set_ticks
from bench.survey.parts import is_built
from bench.typing import Array

MOST_PANELS = 6
BOUND, ALLOWED = "bound_rot_deg", "allowed_rot_deg"
BOUND_WORDS = (
    "The bound (Cramér-Rao, all pixels of the target's face) is on the RMS, which lies below the "
    "95th percentile; it is dotted near face-on, where it doesn't hold."
)
ALLOWED_WORDS = (
    "What this bay allows (dash-dotted) is the bound and its camera, print, plate and ink, to "
    "first order: an error on it is the bay's, not the algorithm's."
)
REACH = 2.0  # how far the error axis follows intervals beyond the values, a factor
# Pipelines stand side by side so that their intervals don't hide one another: this far apart,
# as a part of the axis, but all together over at most this part of the gap between two ticks.
DODGE, DODGE_SPREAD = 0.012, 0.45


@dataclass(frozen=True)
class Abscissa:
    """What the curves run over.

    Attributes
    ----------
    column : str
        Of the cells table.
    label : str
        Of the axis.
    place : callable
        Gives places on the axis, which is linear in them, for values (N,) of the column.
    axles_m : (N,) float64
        Ranges to mark.
    """

    column: str
    label: str
    place: Callable[[Array], Array]
    axles_m: Array


def error_against_range(grid: CellGrid, info: MapInfo) -> Figure:
    """Draw error against range, a panel for each of at most six views."""
    pitched = not grid.turn_is_tilt
    panels = []
    for turn, pitch in _chosen(grid.turns_deg, grid.pitches_deg):
        title = (
            f"turn {style.plain(turn)} deg, pitch {style.plain(pitch)} deg"
            if pitched
            else f"tilt {style.plain(turn)} deg"
        )
        cells = grid.cells.filter((pl.col("turn_deg") == turn) & (pl.col("pitch_deg") == pitch))
        panels.append((title, cells))
    across = Abscissa("range_m", grid.range_label, grid.x, info.axle_ranges_m)
    return _figure(grid, info, panels, across, "Rotation error against range")


def error_against_tilt(grid: CellGrid, info: MapInfo) -> Figure:
    """Draw error against tilt (or turn), a panel for each of at most six ranges and pitches."""
    pitched = not grid.turn_is_tilt
    panels = []
    for range_m, pitch in _chosen(grid.ranges_m, grid.pitches_deg):
        title = f"range {range_m:g} m" + (f", pitch {style.plain(pitch)} deg" if pitched else "")
        cells = grid.cells.filter((pl.col("range_m") == range_m) & (pl.col("pitch_deg") == pitch))
        panels.append((title, cells))
    name = "turn" if pitched else "tilt"
    return _figure(
        grid,
        info,
        panels,
        Abscissa("turn_deg", grid.turn_label, np.asarray, np.empty(0)),
        f"Rotation error against {name}",
        face_on_words(grid, info),
    )


def _chosen(values: Array, pitches_deg: Array) -> list[tuple[float, float]]:
    """Return at most `MOST_PANELS` pairs of a value and a pitch: the same values at each pitch."""
    pitches = choose(pitches_deg.tolist(), MOST_PANELS // 2)
    chosen = choose(values.tolist(), MOST_PANELS // len(pitches))
    return [(value, pitch) for value in chosen for pitch in pitches]


def face_on_words(grid: CellGrid, info: MapInfo) -> str:
    """Say how much larger the error is face-on than at the best tilt, in numbers of the table.

    The range nearest the grid's middle is taken, and there the pipeline with the least error.
    """
    column = f"{info.statistic}_rot_deg"
    cells = grid.cells.filter(pl.col(column).is_not_null() & pl.col(column).is_finite())
    face_on = cells.filter(pl.col("tilt_deg").abs() < 0.5)
    if face_on.is_empty() or cells["tilt_deg"].n_unique() < 2:
        return ""
    middle = float(np.median(face_on["range_m"].unique().to_numpy()))
    near = face_on.sort((pl.col("range_m") - middle).abs(), "range_m")["range_m"][0]
    here = cells.filter(pl.col("range_m") == near).sort(column)
    best = here.row(0, named=True)
    same = face_on.filter((pl.col("range_m") == near) & (pl.col("pipeline") == best["pipeline"]))
    if same.is_empty() or best["tilt_deg"] < 0.5:
        return ""
    ratio = same[column][0] / best[column]
    return (
        f"Near face-on a camera sees little of a target's angle: at {near:g} m, "
        f"{best['pipeline']} is off by {style.number(same[column][0])} deg at tilt 0 and by "
        f"{style.number(best[column])} deg at tilt {best['tilt_deg']:.0f} deg, "
        f"{style.number(ratio)} times less."
    )


def _figure(
    grid: CellGrid,
    info: MapInfo,
    panels: Sequence[tuple[str, pl.DataFrame]],
    across: Abscissa,
    title: str,
    note: str = "",
) -> Figure:
    styles = style.pipeline_styles(grid.pipelines)
    column = f"{info.statistic}_rot_deg"
    layout = PanelGrid(
        len(panels), min(len(panels), 3), style.WIDTH - 0.4, 2.3, left=0.7, gap=0.55
    )
    limits = error_limits(panels, column, info.request.within_deg)
    values = np.unique(np.concatenate([cells[across.column].to_numpy() for _, cells in panels]))
    places = across.place(values)
    span = span_of(places)
    axles = across.place(across.axles_m)
    axles = axles[(axles >= span[0]) & (axles <= span[1])]
    bounded = any(np.any(np.isfinite(positive(cells, BOUND))) for _, cells in panels)
    built = bounded and is_built(grid.cells)
    without = any(lacks_interval(cells, column) for _, cells in panels)
    caption = info.caption(
        f"{info.error_words} over usable cases; bars are two-sided 95 % "
        "intervals, cut at the axis' ends, pipelines set side by side for legibility.",
        "A mark without a bar has too few cases for an interval." if without else "",
        "Gross failures (missed, wrong id, mirrored, ambiguous, not finite, unexplained) are not "
        "averaged in: a hollow mark has any, a gap has no usable case.",
        BOUND_WORDS if bounded else "",
        ALLOWED_WORDS if built else "",
        note,
        axles=len(axles) > 0,
    )
    subtitle = f"{info.error_words} (deg), logarithmic, on one scale"
    handles = _handles(styles, info, len(axles) > 0, bounded, built)
    page = Page(title, subtitle, caption, layout.height, handles)
    dodge = dodge_of(places, span, len(styles))
    for index, (name, cells) in enumerate(panels):
        axes = error_axes(page, layout, index, name, limits, span, across.label)
        _draw_bounds(axes, cells, across, built)
        draw_pipelines(axes, cells, across, column, styles, dodge)
        tolerance = axes.axhline(info.request.within_deg, color=style.INK, linewidth=1.0)
        tolerance.set_gid("tolerance")
        for place in axles.tolist():
            line = axes.axvline(place, color=style.MUTED, linewidth=1.2, linestyle=marks.DOTS)
            line.set_zorder(1)
        set_ticks(axes, places, values, layout.box(index).width / (span[1] - span[0]))
    return page.figure


def _draw_bounds(axes: Axes, cells: pl.DataFrame, across: Abscissa, built: bool) -> None:
    """Draw the bound of all pixels and, as built, what the bay allows; pipelines share them.

    Where the bound doesn't hold it is dotted, and nothing is said to be allowed.
    """
    rows = cells.unique(across.column, keep="first", maintain_order=True).sort(across.column)
    x, y = across.place(rows[across.column].to_numpy()), positive(rows, BOUND)
    holds = rows["bound_holds"].fill_null(True).to_numpy()
    axes.plot(x, np.where(holds, y, np.nan), color=style.INK, linewidth=2.0, zorder=1.5)
    # from the last place where it holds on, so that no gap opens between the two
    either = ~holds | np.append(~holds[1:], False) | np.append(False, ~holds[:-1])
    axes.plot(
        x, np.where(either, y, np.nan), color=style.MUTED, linewidth=1.4, linestyle=":", zorder=1.5
    )
    if built:
        y = np.where(holds, positive(rows, ALLOWED), np.nan)
        axes.plot(x, y, color=style.INK, linewidth=1.6, linestyle="-.", zorder=1.5)


def lacks_interval(cells: pl.DataFrame, column: str) -> bool:
    """Tell whether a drawn value has no interval."""
    drawn = np.isfinite(positive(cells, column))
    return bool(np.any(drawn & np.isnan(_numbers(cells, f"{column}_hi"))))


def draw_pipelines(
    axes: Axes,
    cells: pl.DataFrame,
    across: Abscissa,
    column: str,
    styles: dict[str, PipelineStyle],
    dodge: float,
) -> None:
    """Draw each pipeline's cells, `dodge` apart along the axis: line, marks and intervals."""
    for rank, (name, look) in enumerate(styles.items()):
        rows = cells.filter(pl.col("pipeline") == name).sort(across.column)
        x = across.place(rows[across.column].to_numpy())
        x = x + (rank - 0.5 * (len(styles) - 1)) * dodge
        y = positive(rows, column)
        axes.plot(x, y, color=look.colour, linestyle=look.line, linewidth=1.2, zorder=2)
        # an interval that goes beyond the axis runs to its end
        bottom, top = axes.get_ylim()
        y_low = _numbers(rows, f"{column}_lo").clip(bottom, top)
        y_high = _numbers(rows, f"{column}_hi").clip(bottom, top)
        axes.vlines(x, y_low, y_high, color=look.colour, linewidth=1.4)
        whole = (rows["n_ok"] == rows["n"]).to_numpy()
        for chosen, face in ((whole, look.colour), (~whole, "white")):
            axes.plot(
                x[chosen],
                y[chosen],
                linestyle="",
                marker=look.marker,
                markersize=5.5,
                color=look.colour,
                markerfacecolor=face,
                markeredgewidth=1.2,
                zorder=3,
                clip_on=False,  # a mark on the axis' end isn't cut in half
            )


def positive(rows: pl.DataFrame, column: str) -> Array:
    """Return a column with NaN for what a logarithmic axis can't show."""
    values = _numbers(rows, column)
    return np.where(values > 0.0, values, np.nan)


def _numbers(rows: pl.DataFrame, column: str) -> Array:
    """Return a column with NaN for null."""
    return rows[column].cast(pl.Float64).fill_null(np.nan).to_numpy()


def error_limits(
    panels: Sequence[tuple[str, pl.DataFrame]], column: str, tolerance: float
) -> tuple[float, float]:
    """Return the ends of the error axis, which holds every value and the tolerance.

    Intervals count as far as `REACH` times beyond the values: a few wild errors can make one so
    wide that nothing else could be read.
    """
    values = np.concatenate(
        [positive(cells, name) for _, cells in panels for name in (column, BOUND)]
    )
    values = np.append(values[np.isfinite(values)], [0.9 * tolerance, 1.1 * tolerance])
    ends = [positive(cells, f"{column}{end}") for _, cells in panels for end in ("_lo", "_hi")]
    shown = np.concatenate(ends).clip(values.min() / REACH, values.max() * REACH)
    norm = style.error_norm(np.concatenate((values, shown)))
    return float(norm.vmin or 0.0), float(norm.vmax or 1.0)


def span_of(ticks: Array) -> tuple[float, float]:
    """Return the ends of an axis with these ticks (N,)."""
    room = 0.08 * float(np.ptp(ticks)) or 0.5
    return float(ticks[0]) - room, float(ticks[-1]) + room


def dodge_of(places: Array, span: tuple[float, float], count: int) -> float:
    """Return how far `count` pipelines stand apart on an axis with these rising places (N,)."""
    closest = float(np.min(np.diff(places), initial=np.inf))
    return min(DODGE * (span[1] - span[0]), DODGE_SPREAD * closest / count)


def error_axes(
    page: Page,
    layout: PanelGrid,
    index: int,
    title: str,
    limits: tuple[float, float],
    span: tuple[float, float],
    label: str,
    top: float = 0.0,
) -> Axes:
    """Return a panel's axes, the error upwards within `limits`, over `span` of what `label` names.

    The panels begin `top` inches down the page.
    """
    box = layout.box(index).down(top)
    axes = page.axes(box)
    panel_title(axes, *title_lines(title, box.width))
    axes.set_yscale("log")
    axes.set_ylim(*limits)
    axes.set_xlim(*span)
    decades = np.log10(limits[1] / limits[0])
    axes.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0) if decades <= 2.5 else (1.0,)))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: style.plain(v)))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.grid(color="#e4e4e4", linewidth=0.7)
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)
    if layout.is_lowest(index):
        axes.set_xlabel(label)
    if layout.is_first_column(index):
        axes.set_ylabel("rotation error (deg)")
    return axes


def pipeline_handles(styles: Mapping[str, PipelineStyle]) -> list[Artist]:
    """Return the legend's entries of the curves that `draw_pipelines` draws."""
    return [
        Line2D(
            [],
            [],
            color=look.colour,
            linestyle=look.line,
            marker=look.marker,
            markersize=5.5,
            linewidth=1.2,
            label=name,
        )
        for name, look in styles.items()
    ]


def tolerance_handle(within_deg: float, colour: str = style.INK) -> Line2D:
    """Return the legend's entry of the tolerance's line."""
    return Line2D([], [], color=colour, linewidth=1.0, label=f"tolerance {within_deg:g} deg")


def _handles(
    styles: dict[str, PipelineStyle], info: MapInfo, axles: bool, bounded: bool, built: bool
) -> list[Artist]:
    handles = [*pipeline_handles(styles), tolerance_handle(info.request.within_deg)]
    if bounded:
        words = "bound: the best possible RMS from all pixels"
        handles.append(Line2D([], [], color=style.INK, linewidth=2.0, label=words))
    if built:
        words = "what this bay allows"
        handles.append(Line2D([], [], color=style.INK, linewidth=1.6, linestyle="-.", label=words))
    if axles:
        handles.append(marks.axle_handle("range of an axle"))
    return handles
