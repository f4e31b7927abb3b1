"""The figure of error against one number of the bay file."""

from __future__ import annotations

import numpy as np
import polars as pl
from matplotlib.figure import Figure

from bench.draw import style
from bench.draw.map_info import MapInfo
from bench.draw.page_layout import Page, PanelGrid
from bench.maps.curves import (
    Abscissa,
    dodge_of,
    draw_pipelines,
    error_axes,
    error_limits,
    pipeline_handles,
    span_of,
    tolerance_handle,
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
    dodge = dodge_of(np.unique(numbers), span, len(styles))
    across = Abscissa("number", f"{key} ({unit})" if unit else key, np.asarray, np.empty(0))
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
        [*pipeline_handles(styles), tolerance_handle(tolerance)],
    )
    labels = [f"{number:g}" for number in numbers]
    if not np.array_equal(numbers, np.unique(numbers)) or not unit:
        labels = values["value"].to_list() if len(values) <= 8 else labels
    for index, (name, rows) in enumerate(panels):
        axes = error_axes(page, layout, index, name, limits, span, across.label)
        draw_pipelines(axes, rows, across, COLUMN, styles, dodge)
        axes.axhline(tolerance, color=style.INK, linewidth=1.0)
        shown = _apart(numbers, span, layout.box(index).width)
        axes.set_xticks(numbers[shown], [labels[i] for i in shown])
    return page.figure


def _apart(numbers: np.ndarray, span: tuple[float, float], width: float) -> list[int]:
    """Return which values get a label: those half an inch or more from the one before."""
    shown: list[int] = []
    for index in np.argsort(numbers).tolist():
        if not shown or (numbers[index] - numbers[shown[-1]]) * width > 0.5 * (span[1] - span[0]):
            shown.append(index)
    return shown
