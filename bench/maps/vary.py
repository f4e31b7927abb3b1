"""The figure of error against one number of the bay file."""

from __future__ import annotations

import numpy as np
import polars as pl
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from bench.draw import style
from bench.draw.map_info import MapInfo
from bench.draw.page_layout import Page, PanelGrid, panel_title, title_lines
from bench.maps.curves import (
    DODGE,
    Abscissa,
    draw_pipelines,
    error_limits,
    finish_axes,
    span_of,
)

MOST_PANELS = 6
COLUMN = "rms_rot_deg"


def vary_figure(table: pl.DataFrame, key: str, unit: str, info: MapInfo) -> Figure:
    """Draw each pipeline's RMS rotation error against a key's values, a panel a view.

    Parameters
    ----------
    table : polars.DataFrame
        Of `bench.survey.vary.varied_table`.
    key, unit : str
        Of the bay file.
    info : MapInfo
        Of the survey.
    """
    views = table.select("range_m", "turn_deg", "pitch_deg").unique(maintain_order=True)
    panels = []
    for range_m, turn, pitch in views.head(MOST_PANELS).iter_rows():
        here = (pl.col("range_m") == range_m) & (pl.col("turn_deg") == turn)
        name = f"{range_m:g} m, turn {style.plain(turn)} deg"
        name += f", pitch {style.plain(pitch)} deg" if pitch else ""
        panels.append((name, table.filter(here & (pl.col("pitch_deg") == pitch))))
    styles = style.pipeline_styles(table["pipeline"].unique().sort().to_list())
    layout = PanelGrid(
        len(panels), min(len(panels), 3), style.WIDTH - 0.4, 2.3, left=0.7, gap=0.55
    )
    tolerance = info.request.within_deg
    limits = error_limits(panels, COLUMN, tolerance)
    values = table.select("value", "number").unique(maintain_order=True)
    numbers = values["number"].to_numpy()
    span = span_of(np.sort(numbers))
    across = Abscissa("number", key, np.asarray, np.empty(0))
    handles = [
        Line2D([], [], color=look.colour, linestyle=look.line, marker=look.marker, label=name)
        for name, look in styles.items()
    ]
    handles.append(
        Line2D([], [], color=style.INK, linewidth=1.0, label=f"tolerance {tolerance:g} deg")
    )
    dropped = len(views) - len(panels)
    page = Page(
        f"Rotation error against {key}",
        "RMS rotation error (deg), logarithmic, on one scale",
        info.caption(
            "RMS over usable cases with two-sided 95 % intervals; a hollow mark has gross "
            "failures, which aren't averaged in. All values see the same bays and views.",
            f"{dropped} views more are in vary.csv." if dropped else "",
        ),
        layout.height,
        handles,
    )
    labels = [f"{number:g}" for number in numbers]
    if not np.array_equal(numbers, np.unique(numbers)) or not unit:
        labels = values["value"].to_list() if len(values) <= 8 else labels
    for index, (name, rows) in enumerate(panels):
        axes = page.axes(layout.box(index))
        panel_title(axes, *title_lines(name, layout.box(index).width))
        axes.set_yscale("log")
        axes.set_ylim(*limits)
        axes.set_xlim(*span)
        draw_pipelines(axes, rows, across, COLUMN, styles, DODGE * (span[1] - span[0]))
        axes.axhline(tolerance, color=style.INK, linewidth=1.0)
        shown = _apart(numbers, span, layout.box(index).width)
        axes.set_xticks(numbers[shown], [labels[i] for i in shown])
        finish_axes(axes, limits)
        if layout.is_lowest(index):
            axes.set_xlabel(f"{key} ({unit})" if unit else key)
        if layout.is_first_column(index):
            axes.set_ylabel("rotation error (deg)")
    return page.figure


def _apart(numbers: np.ndarray, span: tuple[float, float], width: float) -> list[int]:
    """Return which values get a label: those half an inch or more from the one before."""
    shown: list[int] = []
    for index in np.argsort(numbers).tolist():
        if not shown or (numbers[index] - numbers[shown[-1]]) * width > 0.5 * (span[1] - span[0]):
            shown.append(index)
    return shown
