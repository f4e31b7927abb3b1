"""Pipelines side by side: the longest range that each holds, view by view."""

from __future__ import annotations

import polars as pl
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.patheffects import Normal, Stroke
from matplotlib.ticker import FixedLocator, FuncFormatter

from bench.draw import style
from bench.draw.cell_grid import CellGrid, choose
from bench.draw.map_info import MapInfo
from bench.draw.page_layout import Box, Page
from bench.survey.verdicts import FAILS, HOLDS

MOST_VIEWS = 9
BAR = 0.17  # inches, a bar with the gap to the next
GROUP_GAP = 0.14


def reach(cells: pl.DataFrame) -> tuple[float, float]:
    """Return how far one view's cells, in order of range, hold, and how far none fails.

    Metres; 0 where the nearest cell already doesn't.
    """
    holds = fails_not = 0.0
    for range_m, verdict in cells.select("range_m", "verdict").iter_rows():
        if verdict == FAILS:
            break
        if verdict == HOLDS and holds == fails_not:
            holds = range_m
        fails_not = range_m
    return holds, fails_not


def _cells_of(grid: CellGrid, pipeline: str, turn_deg: float, pitch_deg: float) -> pl.DataFrame:
    return grid.cells.filter(
        (pl.col("pipeline") == pipeline)
        & (pl.col("turn_deg") == turn_deg)
        & (pl.col("pitch_deg") == pitch_deg)
    ).sort("range_m")


def reach_figure(grid: CellGrid, info: MapInfo) -> Figure:
    """Draw the longest range at which each pipeline holds, for each of at most nine views."""
    views = [(t, p) for p in grid.pitches_deg for t in grid.turns_deg]
    views = [views[int(i)] for i in choose(range(len(views)), MOST_VIEWS)]
    styles = style.pipeline_styles(grid.pipelines)
    reached = {
        (name, *view): reach(_cells_of(grid, name, *view)) for name in styles for view in views
    }
    group = len(styles) * BAR + GROUP_GAP
    height = max(len(views) * group, 0.9)
    handles: list[Artist] = [
        Patch(facecolor=look.colour, hatch=look.hatch, edgecolor="white", label=name)
        for name, look in styles.items()
    ]
    handles.append(Patch(facecolor="white", edgecolor=style.MUTED, label="undecided with this n"))
    page = Page(
        "Longest range that holds",
        f"From the nearest range of the grid on, every cell holds: {info.criteria_words}",
        info.caption(
            f"A cell holds where its rate's exact bound ({info.confidence_words}) shows that; "
            "it is undecided where more pictures may show it. No range beyond the grid's end, "
            f"{grid.ranges_m[-1]:g} m, was tried.",
        ),
        height + 0.55,
        handles,
    )
    left = 0.75 if grid.turn_is_tilt else 1.75
    room = 1.9  # right of the longest bar, for the words
    axes = page.axes(Box(left, 0.05, page.width - 0.3 - left, height))
    last = float(grid.ranges_m[-1])
    farthest = max((fails_not for _, fails_not in reached.values()), default=0.0)
    # up to the first range beyond what anything reaches
    beyond = [r for r in grid.ranges_m.tolist() if r > farthest > 0.0]
    limit = min(beyond, default=last)
    width = page.width - 0.3 - left
    axes.set_xlim(0.0, limit * width / (width - room))
    axes.set_ylim(0.0, height)
    centres = []
    for rank, (turn, pitch) in enumerate(views):
        low = rank * group + 0.5 * GROUP_GAP
        centres.append(low + 0.5 * len(styles) * BAR)
        if rank:
            axes.axhline(rank * group, color="#e4e4e4", linewidth=0.7)
        for place, (name, look) in enumerate(styles.items()):
            y = low + (len(styles) - 1 - place + 0.5) * BAR
            held, possible = reached[name, turn, pitch]
            words = f"{held:g} m" if held else "none"
            words += ", the grid's end" if held >= last else ""
            words += f", undecided to {possible:g} m" if possible > held else ""
            draw_bar(axes, y, BAR, (held, possible), words, look.colour, look.hatch)
    axes.set_xlabel("range (m)")
    axes.set_ylabel("tilt (deg)" if grid.turn_is_tilt else "view")
    axes.yaxis.set_major_locator(FixedLocator(centres))
    names = [
        style.plain(t)
        if grid.turn_is_tilt
        else f"turn {style.plain(t)}, pitch {style.plain(p)} deg"
        for t, p in views
    ]
    axes.yaxis.set_major_formatter(FuncFormatter(lambda _, i: names[i or 0]))
    axes.tick_params(axis="y", length=0)
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_xticks([t for t in axes.get_xticks() if t <= limit])
    axes.axvline(last, color=style.FAINT, linewidth=1.0, zorder=0)
    return page.figure


def draw_bar(
    axes: Axes,
    y: float,
    room: float,
    reached: tuple[float, float],
    words: str,
    colour: str,
    hatch: str | None,
) -> None:
    """Draw what `reach` returns as a bar `room` high with its gap, and words at its end.

    It is solid as far as the cells hold, outlined as far as they are undecided.
    """
    held, possible = reached
    thick = 0.8 * room
    if held:
        axes.barh(y, held, thick, color=colour, hatch=hatch, edgecolor="white", linewidth=0.0)
    if possible > held:
        axes.barh(
            y,
            possible - held,
            thick,
            left=held,
            facecolor="white",
            edgecolor=colour,
            linewidth=1.0,
        )
    axes.annotate(
        words,
        (max(held, possible), y),
        xytext=(4, 0),
        textcoords="offset points",
        va="center_baseline",
        fontsize=style.SMALL,
        path_effects=[Stroke(linewidth=3, foreground="white"), Normal()],
    )
