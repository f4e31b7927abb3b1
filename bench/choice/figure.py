"""Drawings compared: what they are, how far each holds, and how much each errs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl
from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import NullLocator

from bench.choice.bars import draw_reach, hatches_of, kinds_of, reach_layout, variants_of
from bench.choice.choice import Choice
from bench.choice.drawings import Exhibit, Showcase
from bench.choice.words import view_title
from bench.draw import marks, style
from bench.draw.cell_grid import CellGrid
from bench.draw.map_info import MapInfo
from bench.draw.page_layout import (
    MARGIN,
    Page,
    PanelGrid,
)
from bench.draw.style import PipelineStyle
from bench.draw.ticks import set_ticks
from bench.maps.curves import (
    BOUND,
    Abscissa,
    dodge_of,
    draw_pipelines,
    error_axes,
    error_limits,
    pipeline_handles,
    positive,
    span_of,
    tolerance_handle,
)
from bench.scene.model import Bay
from bench.survey.pieces import Cases, pieces_of
from bench.survey.worker import Job, case_of_row, picture_of_case
from bench.targets.fill import Plate

HEAD = 0.3  # of a part of the page
BOUND_LINE: dict[str, Any] = {"linewidth": 0.8, "linestyle": "-", "alpha": 0.6}


@dataclass(frozen=True, eq=False)
class Shown:
    """What the page shows of one view: which, and each drawing's picture at a middle range.

    Attributes
    ----------
    turn_deg, pitch_deg : float
        The view.
    range_m, plate_px : float
        The range, and how wide the plate appears there face-on.
    exhibits : tuple of Exhibit
        In the order of the drawings.
    """

    turn_deg: float
    pitch_deg: float
    range_m: float
    plate_px: float
    exhibits: tuple[Exhibit, ...]


def shown_view(choice: Choice, jobs: Mapping[str, Job], turn_deg: float) -> Shown:
    """Return the view nearest to a turn, at the least pitch, with pictures at a middle range.

    `jobs` by the drawings' names.
    """
    cells = choice.surveyed[0].cells
    turns, ranges = (cells[name].unique().sort().to_list() for name in ("turn_deg", "range_m"))
    turn = min(turns, key=lambda t: abs(t - turn_deg))
    pitch = min(cells["pitch_deg"].unique().to_list(), key=abs)
    range_m = ranges[len(ranges) // 2]
    exhibits = []
    for surveyed in choice.surveyed:
        row = first_row(surveyed.cases, range_m, turn, pitch)
        job = jobs[surveyed.candidate.name]
        picture = picture_of_case(case_of_row(row, job.plan), job)
        exhibits.append(Exhibit(surveyed.candidate.target, picture))
    setting = next(iter(jobs.values())).setting
    plate_px = setting.camera.fx * setting.target.drawing.width / range_m
    return Shown(turn, pitch, range_m, plate_px, tuple(exhibits))


def first_row(cases: Cases, range_m: float, turn_deg: float, pitch_deg: float) -> dict[str, Any]:
    """Return the row of a cell's first picture, with what names its case."""
    here = (pl.col("turn_deg") == turn_deg) & (pl.col("pitch_deg") == pitch_deg)
    place = ["key", "range_m", "turn_deg", "pitch_deg", "position", "trial"]
    rows = pl.concat(
        piece.filter(here).select(place).collect() for piece in pieces_of(cases, range_m)
    )
    row: dict[str, Any] = rows.sort("trial", "key").row(0, named=True)
    return row


def choice_figure(choice: Choice, shown: Shown, info: MapInfo) -> Figure:
    """Draw the page: drawings and pictures, longest ranges, errors against range."""
    names = [s.candidate.name for s in choice.surveyed]
    looks = style.pipeline_styles(names)
    variants = variants_of(choice.table)
    inner = style.WIDTH - 2.0 * MARGIN
    showcase = Showcase(shown.exhibits, inner)
    reach = reach_layout(choice.table, inner)
    kinds = len(kinds_of(variants))
    errors = PanelGrid(kinds, min(kinds, 2), inner - 0.1, 2.6, left=0.7, gap=0.6)
    where = view_title(shown.turn_deg, shown.pitch_deg)
    bounded = any(s.cells["bound_holds"].fill_null(False).any() for s in choice.surveyed)
    grid = CellGrid.of(choice.surveyed[0].cells)
    page = Page(
        f"How far drawings hold, {info.target.removeprefix('drawings ')}",
        f"A cell holds: {info.request.words}",
        info.caption(
            "No range beyond the grid's last was tried; + marks what holds to the grid's end, ? "
            "what more pictures might extend, as far as the outlined part of the bar. Errors are "
            "over usable cases, gross failures not averaged in: a hollow mark has any, a gap has "
            "no usable case. Intervals are two-sided 95 %.",
            "Thin lines are drawn where the bound holds, which it doesn't near face-on."
            if bounded
            else "",
            axles=True,
        ),
        showcase.height + reach.height + errors.height + 3 * HEAD + 0.2,
        _handles(looks, variants, info, bounded),
    )
    top = _heading(
        page,
        0.0,
        f"The drawings to one scale; below, the first picture at {shown.range_m:g} m, {where}, "
        f"× {showcase.scale}: the plate is {shown.plate_px:.0f} px wide face-on",
    )
    showcase.draw(page, top)
    top = _heading(page, top + showcase.height, "Longest range that holds")
    draw_reach(page, reach, top, choice.table, looks, variants, float(grid.ranges_m[-1]))
    top = _heading(page, top + reach.height + 0.1, f"{info.error_words} at {where}")
    _draw_errors(page, errors, top, choice, shown, looks, variants, grid, info)
    return page.figure


def _heading(page: Page, top: float, words: str) -> float:
    """Write a part's heading; return where the part begins."""
    page.text(0.0, top + 0.2, words, fontsize=style.NORMAL, fontweight="bold")
    return top + HEAD


def _draw_errors(
    page: Page,
    layout: PanelGrid,
    top: float,
    choice: Choice,
    shown: Shown,
    looks: dict[str, PipelineStyle],
    variants: Mapping[str, str],
    grid: CellGrid,
    info: MapInfo,
) -> None:
    """Draw error against range at the shown view, a panel for each kind of pipeline."""
    across = Abscissa("range_m", grid.range_label, grid.x, info.axle_ranges_m)
    column = f"{info.statistic}_rot_deg"
    cells = pl.concat(
        s.cells.filter(
            pl.col("turn_deg") == shown.turn_deg, pl.col("pitch_deg") == shown.pitch_deg
        ).with_columns(
            pl.col("pipeline").replace_strict(variants).alias("variant"),
            # what a curve stands for here is a drawing
            pl.lit(s.candidate.name).alias("pipeline"),
        )
        for s in choice.surveyed
    )
    panels = [(name, cells.filter(pl.col("variant") == name)) for name in kinds_of(variants)]
    limits = error_limits(panels, column, info.request.within_deg)
    places = grid.x(grid.ranges_m)
    span = span_of(places)
    axles = grid.x(across.axles_m)
    dodge = dodge_of(places, span, len(looks))
    for index, (name, mine) in enumerate(panels):
        axes = error_axes(page, layout, index, name, limits, span, across.label, top)
        for candidate, look in looks.items():
            rows = mine.filter(
                pl.col("pipeline") == candidate, pl.col("bound_holds").fill_null(False)
            ).sort("range_m")
            x = grid.x(rows["range_m"].to_numpy())
            axes.plot(x, positive(rows, BOUND), color=look.colour, **BOUND_LINE)
        draw_pipelines(axes, mine, across, column, looks, dodge)
        axes.axhline(info.request.within_deg, color=style.INK, linewidth=1.0)
        for place in axles[(axles >= span[0]) & (axles <= span[1])].tolist():
            axes.axvline(place, color=style.MUTED, linewidth=1.2, linestyle=marks.DOTS, zorder=1)
        set_ticks(axes, places, grid.ranges_m, layout.box(index).width / (span[1] - span[0]))
        axes.xaxis.set_minor_locator(NullLocator())


def _handles(
    looks: Mapping[str, PipelineStyle], variants: Mapping[str, str], info: MapInfo, bounded: bool
) -> Sequence[Artist]:
    handles = pipeline_handles(looks)
    if len(kinds_of(variants)) > 1:
        handles += [
            Patch(facecolor=style.MUTED, hatch=hatch, edgecolor="white", label=f"bar: {name}")
            for name, hatch in hatches_of(variants).items()
        ]
    handles.append(Patch(facecolor="white", edgecolor=style.MUTED, label="bar: undecided"))
    handles.append(tolerance_handle(info.request.within_deg))
    if bounded:
        words = "thin: the best possible (Cramér-Rao bound)"
        handles.append(Line2D([], [], color=style.INK, label=words, **BOUND_LINE))
    if len(info.axle_ranges):
        handles.append(marks.axle_handle("range of an axle"))
    return handles


def draw_choice(
    out: Path,
    bay: Bay,
    plate: Plate,
    choice: Choice,
    jobs: Mapping[str, Job],
    show_turn: float,
) -> Path:
    """Draw choice.png, with errors at the surveyed turn nearest to `show_turn`, radians.

    Raises
    ------
    RunError
        It can't be written.
    """
    job = next(iter(jobs.values()))
    target = f"drawings on a plate of {plate.name}"
    info = MapInfo.of(bay, job, choice.request, target=target)
    with style.applied():
        shown = shown_view(choice, jobs, math.degrees(show_turn))
        return style.save(choice_figure(choice, shown, info), out / "choice.png")
