"""Maps of failures: a row of heat maps for each kind of gross failure that occurred."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import polars as pl
from matplotlib.colors import LogNorm
from matplotlib.figure import Figure

from bench.draw import style
from bench.draw.cell_grid import CellGrid
from bench.draw.heat_maps import HeatMap, draw_panels, panel_grid
from bench.draw.map_info import MapInfo
from bench.draw.page_layout import Page

KINDS = {
    "n_missed": "missed",
    "n_wrong_id": "wrong id",
    "n_mirrored": "mirrored",
    "n_ambiguous": "ambiguous",
    "n_not_finite": "not finite",
    "n_unexplained": "unexplained",
}
MEANINGS = {
    "n_missed": "nothing was found",
    "n_wrong_id": "markers were found, none of them the target's",
    "n_mirrored": "the pose of the planar two-fold ambiguity's wrong side was given",
    "n_ambiguous": "the pipeline itself said that it can't tell the two sides apart",
    "n_not_finite": "the solver gave no finite pose",
    "n_unexplained": "what the pose leaves of the picture contradicts it",
}
HEADING, ROW = 0.32, 0.22  # inches; rows low, since there is a set of panels for each kind


def failure_figure(grid: CellGrid, info: MapInfo, only: Collection[str] = tuple(KINDS)) -> Figure:
    """Draw the share of cases in each cell that failed, by kind (`only` these), on one scale."""
    seen = [kind for kind in KINDS if int(grid.cells[kind].sum()) > 0]
    absent = [words for kind, words in KINDS.items() if kind not in seen]
    kinds = [kind for kind in seen if kind in only]
    panels = panel_grid(grid, "45", ROW)
    least = 1.0 / float(grid.values("n").max())
    scale = LogNorm(min(10.0 ** np.floor(np.log10(least)), 0.1), 1.0)
    note = f"Never seen in this survey: {', '.join(absent)}." if absent else ""
    page = Page(
        "Gross failures by kind",
        "share of all cases in a cell (%), logarithmic; a white cell has none of the kind",
        info.caption(note if kinds else "", axles=bool(kinds)),
        len(kinds) * (HEADING + panels.height) if kinds else 0.4,
    )
    if not kinds:
        total = int(grid.cells["n"].sum())
        page.text(0.1, 0.3, f"No gross failure in {total} cases.", fontsize=style.NORMAL)
    for rank, kind in enumerate(kinds):
        top = rank * (HEADING + panels.height)
        count = int(grid.cells[kind].sum())
        words = f"{KINDS[kind]}: {MEANINGS[kind]} ({count} of {int(grid.cells['n'].sum())} cases)"
        page.text(0.0, top + 0.22, words, fontsize=style.NORMAL + 1)
        share = grid.cells.with_columns((pl.col(kind) / pl.col("n")).alias("share"))
        shown = HeatMap(
            column="share",
            title="",
            subtitle="",
            bar_label=f"{KINDS[kind]} (%)",
            caption="",
            norm=scale,
            cmap=style.FAILURE_MAP,
            words=_words,
            empty="",
            bar_unit=100.0,
        )
        draw_panels(page, panels, CellGrid.of(share), shown, info, top + HEADING)
    return page.figure


def _words(share: float) -> tuple[str, ...]:
    """Return the ways to write a share in per cent; none for a share of none."""
    if share == 0.0:
        return ()
    return ("100", "all") if share == 1.0 else (style.percent(share),)
