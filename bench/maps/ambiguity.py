"""Maps of the mirrored pose: how often it wins over range and tilt, beside how often it must."""

from __future__ import annotations

import numpy as np
import polars as pl
from matplotlib.colors import LogNorm
from matplotlib.figure import Figure

from bench.draw import style
from bench.draw.cell_grid import CellGrid
from bench.draw.heat_maps import HeatMap, draw_panels, panel_grid
from bench.draw.map_info import MapInfo
from bench.draw.page_layout import Page

HEADING, ROW = 0.32, 0.22  # inches
# Shares below this are drawn as none: a predicted 1e-30 is none.
LEAST = 5e-4
SECTIONS = {
    "counted": "counted: share of poses on the mirrored side, called ambiguous or not",
    "predicted": "predicted: Q(d/2), d the distance of the two solutions in standard deviations",
}


def ambiguity_figure(table: pl.DataFrame, info: MapInfo) -> Figure:
    """Draw a row of heat maps with the counted shares and one with the predicted, on one scale.

    Parameters
    ----------
    table : polars.DataFrame
        As `bench.survey.ambiguity.with_predictions` returns it: pipeline, range_m, turn_deg,
        pitch_deg, n, n_wrong, predicted.
    info : MapInfo
        For the caption.
    """
    shares = table.with_columns(
        counted=pl.col("n_wrong") / pl.col("n"),
        predicted=pl.when(pl.col("predicted").is_nan())
        .then(None)
        .when(pl.col("predicted") < LEAST)
        .then(0.0)
        .otherwise(pl.col("predicted")),
    )
    grid = CellGrid.of(shares)
    panels = panel_grid(grid, "45", ROW)
    block = HEADING + panels.height
    page = Page(
        "How often the mirrored pose wins",
        "share of poses (%), logarithmic; white is none, or less than 0.05 % predicted",
        info.caption(
            "A flat target seen from afar has two poses, mirrored about the line of sight, that "
            "look nearly the same. Which fits a picture better, noise decides; no method that "
            "knows nothing else is wrong less often than predicted. Hatched: no picture gave a "
            "pose, or the two solutions are one.",
            axles=True,
        ),
        len(SECTIONS) * block,
    )
    for rank, (column, words) in enumerate(SECTIONS.items()):
        page.text(0.0, rank * block + 0.22, words, fontsize=style.NORMAL + 1)
        shown = HeatMap(
            column=column,
            title="",
            subtitle="",
            bar_label=f"{column} (%)",
            caption="",
            norm=_scale(shares),
            cmap=style.FAILURE_MAP,
            words=_words,
            empty="",
            bar_unit=100.0,
        )
        draw_panels(page, panels, grid, shown, info, rank * block + HEADING)
    return page.figure


def _scale(shares: pl.DataFrame) -> LogNorm:
    """Return one scale for all: from the least share that can be counted to a half or all."""
    least = 1.0 / float(shares["n"].max() or 1)  # type: ignore[arg-type]  # a count
    top = 1.0 if (shares["counted"] > 0.5).any() else 0.5
    return LogNorm(min(10.0 ** np.floor(np.log10(least)), 0.1), top)


def _words(share: float) -> tuple[str, ...]:
    """Return the ways to write a share in per cent; none for a share of none."""
    return () if share == 0.0 else (style.percent(share),)
