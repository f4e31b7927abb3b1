"""Bars of the longest ranges that drawings hold, a panel a tilt."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl
from matplotlib.ticker import FixedLocator

from bench.choice.choice import solver_of
from bench.choice.words import view_title
from bench.draw import style
from bench.draw.cell_grid import choose as spread
from bench.draw.page_layout import LINE, POINT, Page, PanelGrid, panel_title, text_width, wrap
from bench.draw.style import PipelineStyle
from bench.maps.comparison import draw_bar

MOST_VIEWS = 8
NAMES = 1.85  # inches for the names left of the bars
BAR = 0.19  # a bar with the gap to the next
GROUP_GAP = 0.12
# Bars of a drawing's pipelines differ by hatch.
PIPELINE_HATCHES = ("////", "", "....", "xxxx", "\\\\\\\\")

View = tuple[float, float]


def variants_of(table: pl.DataFrame) -> dict[str, str]:
    """Return what tells each pipeline from the others of its drawing: its solver if it does."""
    pairs = table.select("candidate", "pipeline").unique(maintain_order=True).rows()
    alone = len({(name, solver_of(pipeline)) for name, pipeline in pairs}) == len(pairs)
    return {pipeline: solver_of(pipeline) if alone else pipeline for _, pipeline in pairs}


def kinds_of(variants: Mapping[str, str]) -> list[str]:
    """Return the kinds of pipelines that `variants_of` tells apart."""
    return list(dict.fromkeys(variants.values()))


def hatches_of(variants: Mapping[str, str]) -> dict[str, str]:
    """Return the hatch of each kind; a kind alone is plain."""
    names = kinds_of(variants)
    first = max(2 - len(names), 0)
    return {
        name: PIPELINE_HATCHES[(first + i) % len(PIPELINE_HATCHES)] for i, name in enumerate(names)
    }


def _views(table: pl.DataFrame) -> list[View]:
    """Return at most `MOST_VIEWS` turns and pitches, spread over those there are."""
    views = table.select("pitch_deg", "turn_deg").unique().sort("pitch_deg", "turn_deg").rows()
    return [(views[int(i)][1], views[int(i)][0]) for i in spread(range(len(views)), MOST_VIEWS)]


def _group_height(table: pl.DataFrame) -> float:
    """Return the room of one drawing's bars, inches: of the drawing with most pipelines."""
    most = table.group_by("candidate").agg(pl.col("pipeline").n_unique())["pipeline"].max()
    return float(most) * BAR + GROUP_GAP  # type: ignore[arg-type]


def reach_layout(table: pl.DataFrame, width: float) -> PanelGrid:
    """Return where the panels go, at most four in a row `width` inches wide."""
    views = _views(table)
    height = table["candidate"].n_unique() * max(_group_height(table), 0.42)
    return PanelGrid(len(views), min(len(views), 4), width - 0.1, height, left=NAMES, gap=0.2)


def draw_reach(
    page: Page,
    layout: PanelGrid,
    top: float,
    table: pl.DataFrame,
    looks: Mapping[str, PipelineStyle],
    variants: Mapping[str, str],
    last: float,
) -> None:
    """Draw a panel a view, a group of bars a drawing, a bar a pipeline; to `last` metres."""
    group = layout.panel_height / len(looks)
    # right of the longest bar, for the words
    room = max(text_width(_bar_words(r), style.SMALL) for r in table.iter_rows(named=True)) + 0.1
    for index, (turn, pitch) in enumerate(_views(table)):
        box = layout.box(index).down(top)
        axes = page.axes(box)
        panel_title(axes, view_title(turn, pitch))
        axes.set_xlim(0.0, last * box.width / (box.width - room))
        axes.set_ylim(layout.panel_height, 0.0)
        for rank, (name, look) in enumerate(looks.items()):
            if rank:
                axes.axhline(rank * group, color="#e4e4e4", linewidth=0.7)
            rows = table.filter(
                pl.col("candidate") == name,
                pl.col("turn_deg") == turn,
                pl.col("pitch_deg") == pitch,
            )
            low = rank * group + 0.5 * (group - len(rows) * BAR)
            for place, row in enumerate(rows.iter_rows(named=True)):
                hatch = hatches_of(variants)[variants[row["pipeline"]]]
                held, possible = (row[c] or 0.0 for c in ("longest_range_m", "possible_range_m"))
                y = low + (place + 0.5) * BAR
                draw_bar(axes, y, BAR, (held, possible), _bar_words(row), look.colour, hatch)
        axes.set_yticks([])
        axes.xaxis.set_major_locator(FixedLocator(_even_ticks(last)))
        axes.spines[["top", "right"]].set_visible(False)
        if layout.is_lowest(index):
            axes.set_xlabel("range (m)")
        if layout.is_first_column(index):
            for rank, name in enumerate(looks):
                _name(page, box.top + (rank + 0.5) * group, name, group)


def _bar_words(row: Mapping[str, object]) -> str:
    """Say how far a bar holds, with a mark where more is possible."""
    undecided = row["cells_possible"] != row["cells_held"]
    if row["longest_range_m"] is None:
        return "undecided" if undecided else "none"
    mark = "+" if row["all_tested"] else "?" if undecided else ""
    return f"{row['longest_range_m']:g} m{mark}"


def _name(page: Page, middle: float, name: str, room: float) -> None:
    """Write a drawing's name left of its bars, in as many lines as there is room for."""
    height = style.SMALL * LINE * POINT
    lines = wrap(name, NAMES - 0.15, style.SMALL)[: max(int(room / height), 1)]
    top = middle - 0.5 * len(lines) * height
    for i, line in enumerate(lines):
        page.text(0.0, top + (i + 0.78) * height, line, fontsize=style.SMALL)


def _even_ticks(last: float) -> list[float]:
    """Return three or four ticks from 0 on."""
    step = next(s * 10.0**e for e in range(-3, 6) for s in (1, 2, 5) if last / (s * 10.0**e) <= 4)
    return [float(t) for t in np.arange(0.0, last + 0.01 * step, step)]
