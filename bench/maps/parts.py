"""The figure of an error's three parts as built: the tower's, the plate's, the picture's."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import polars as pl
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from bench.draw import style
from bench.draw.cell_grid import CellGrid, choose
from bench.draw.map_info import MapInfo
from bench.draw.page_layout import Page, PanelGrid
from bench.draw.ticks import set_ticks
from bench.maps.curves import error_axes, error_limits, positive, span_of, tolerance_handle
from bench.survey.parts import is_built

MOST_TURNS = 3
WHOLE = "rms_rot_deg"


@dataclass(frozen=True)
class Part:
    """How one part is drawn: its column, its line and its words."""

    column: str
    colour: str
    line: Literal["-", "--", "-.", ":"]
    marker: str
    words: str


PARTS = (
    Part(WHOLE, style.INK, "-", "o", "whole error"),
    Part("rms_common_rot_deg", style.OKABE_ITO[0], "--", "s", "common to the tower's camera"),
    Part("rms_own_rot_deg", style.OKABE_ITO[1], "-.", "^", "the plate's own"),
    Part("rms_picture_rot_deg", style.OKABE_ITO[2], ":", "D", "the picture's: noise, light, dirt"),
)
WORDS = (
    "What the camera of a tower turns every target by is absorbed by registration: toe and camber "
    "have the other two, and follow from 'sightbench budget'. A bay's own part is the same in "
    "every picture of it; the picture's part is what is left, the algorithm's bias included. "
    "Common and own parts are to first order. Root mean squares over usable cases."
)


def parts_figure(grid: CellGrid, info: MapInfo) -> Figure | None:
    """Draw each pipeline's error and its parts against range, at three tilts or fewer.

    None where all is as drawn.
    """
    cells = grid.cells
    if not is_built(cells):
        return None
    pitch = float(min(grid.pitches_deg.tolist(), key=abs))
    turns = choose(grid.turns_deg.tolist(), MOST_TURNS)
    panels = [
        (
            f"{pipeline}, {'tilt' if grid.turn_is_tilt else 'turn'} {style.plain(turn)} deg",
            cells.filter(
                (pl.col("pipeline") == pipeline)
                & (pl.col("turn_deg") == turn)
                & (pl.col("pitch_deg") == pitch)
            ).sort("range_m"),
        )
        for pipeline in grid.pipelines
        for turn in turns
    ]
    layout = PanelGrid(len(panels), len(turns), style.WIDTH - 0.4, 2.1, left=0.7, gap=0.55)
    columns = [part.column for part in PARTS]
    values = np.concatenate([positive(rows, name) for _, rows in panels for name in columns])
    tolerance = info.request.within_deg
    limits = error_limits(panels, WHOLE, tolerance)
    least = float(np.nanmin(values, initial=limits[0]))
    limits = (min(limits[0], 0.8 * least), limits[1])
    ranges = np.unique(cells["range_m"].to_numpy())
    places = grid.x(ranges)
    span = span_of(places)
    handles = [
        Line2D([], [], color=p.colour, linestyle=p.line, marker=p.marker, label=p.words)
        for p in PARTS
    ]
    handles.append(tolerance_handle(tolerance, style.MUTED))
    page = Page(
        "What a rotation error is made of in bays as built",
        "RMS of each part (deg), logarithmic, on one scale",
        info.caption(WORDS),
        layout.height,
        handles,
    )
    for index, (name, rows) in enumerate(panels):
        axes = error_axes(page, layout, index, name, limits, span, grid.range_label)
        axes.axhline(tolerance, color=style.MUTED, linewidth=1.0)
        x = grid.x(rows["range_m"].to_numpy())
        for part in PARTS:
            axes.plot(
                x,
                positive(rows, part.column),
                color=part.colour,
                linestyle=part.line,
                marker=part.marker,
                markersize=4.0,
                linewidth=1.4,
            )
        set_ticks(axes, places, ranges, layout.box(index).width / (span[1] - span[0]))
    return page.figure
