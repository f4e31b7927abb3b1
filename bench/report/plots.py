"""Interactive maps: a plot of each pipeline's errors and one of its rates, as BokehJS takes them.

All cells have the same size on the page, whatever their range, so that each can be hit by a
finger. Colours are computed here, by the same scales as the printed maps', and switched by the
page; so is the key to them.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import numpy as np
import polars as pl
from matplotlib.colors import Colormap, LogNorm, Normalize, to_hex

from bench.draw import style
from bench.draw.cell_grid import CellGrid, Facet
from bench.report.cell_facts import MARKS, colour_words, percent
from bench.survey.plan import number

HEIGHT = 320  # CSS pixels
STEPS = 16  # of the key's gradient
_MODEL_ID = re.compile(r"p\d+")


@dataclass(frozen=True, eq=False)
class Quantity:
    """What a map may show.

    Attributes
    ----------
    column, label : str
        Of the table of cells; in words.
    norm, cmap : Normalize, Colormap
        Its colours.
    words : callable
        Says a value.
    unit : str
        Behind the numbers of the key.
    """

    column: str
    label: str
    norm: Normalize
    cmap: Colormap
    words: Callable[[float], str]
    unit: str

    @property
    def key(self) -> dict[str, Any]:
        """The key to its colours: a gradient and what its ends mean."""
        colours = [to_hex(self.cmap(t)) for t in np.linspace(0.0, 1.0, STEPS)]
        ends = [float(self.norm.vmin or 0.0), float(self.norm.vmax or 1.0)]
        scale = 100.0 if self.unit == "%" else 1.0
        middle = float(np.sqrt(ends[0] * ends[1])) if isinstance(self.norm, LogNorm) else 0.5
        shown = [f"{style.plain(scale * end)} {self.unit}" for end in ends]
        middle_words = f"{style.number(scale * middle)} {self.unit}"
        return {"gradient": colours, "ends": shown, "middle": middle_words}


def quantities(grid: CellGrid, statistic: str) -> tuple[list[Quantity], list[Quantity]]:
    """Return what the map of errors may show, and what the map of rates may."""
    judged = f"{statistic}_rot_deg"

    def error(column: str, label: str, unit: str) -> Quantity:
        norm = style.error_norm(grid.values(column))
        return Quantity(column, label, norm, style.ERROR_MAP, colour_words, unit)

    def rate(column: str, label: str) -> Quantity:
        return Quantity(column, label, style.rate_norm(), style.RATE_MAP, percent, "%")

    errors = [
        error(judged, "rotation error, 95th percentile", "deg"),
        error("rms_rot_deg", "rotation error, RMS", "deg"),
        error("rms_along_mm", "position error along the line of sight, RMS", "mm"),
        error("bound_rot_deg", "bound on the rotation error", "deg"),
    ]
    rates = [
        rate("success_rate", "usable and within tolerance"),
        rate("usable_rate", "usable rate"),
        rate("detection_rate", "detection rate"),
        rate("efficiency_rot", "efficiency: bound over RMS"),
    ]
    return errors, rates


def plot_item(
    grid: CellGrid, facet: Facet, shown: list[Quantity], verdict: str, name: str
) -> dict[str, Any]:
    """Return a plot of one facet's cells as BokehJS embeds it.

    Its data source, called `name`, has a row a cell in the facet's order, the column ``cell``
    with its number in the whole table, and ``fill_N``, ``ink_N`` and ``words_N`` for the N-th
    quantity shown; what is drawn are ``fill``, ``ink`` and ``words``.
    """
    from bokeh.core.types import ID
    from bokeh.embed import json_item
    from bokeh.models import ColumnDataSource, HoverTool, Range1d, TapTool
    from bokeh.plotting import figure

    source = ColumnDataSource(_columns(grid, facet, shown, verdict), name=name)
    ranges, turns = grid.ranges_m.tolist(), grid.turns_deg.tolist()
    plot = figure(
        height=HEIGHT,
        sizing_mode="stretch_width",
        x_range=Range1d(start=-0.5, end=len(ranges) - 0.5),
        y_range=Range1d(start=-0.5, end=len(turns) - 0.5),
        tools=[],
        toolbar_location=None,
        x_axis_label="range (m)",
        y_axis_label=grid.turn_label,
        min_border_right=6,
        output_backend="canvas",
    )
    cells = plot.rect(
        "x",
        "y",
        1.0,
        1.0,
        source=source,
        fill_color="fill",
        line_color="white",
        line_width=1,
        hatch_pattern="hatch",
        hatch_color=style.MUTED,
        hatch_weight=0.7,
        selection_line_color=style.INK,
        selection_line_width=3,  # type: ignore[call-arg]  # Bokeh: any property of a glyph
        nonselection_fill_alpha=1.0,
        nonselection_hatch_alpha=1.0,
        nonselection_line_color="white",
    )
    marks = plot.text(
        "x",
        "y",
        "mark",
        source=source,
        text_align="center",
        text_baseline="middle",
        text_color="ink",
        text_font_size="13px",
        text_font_style="bold",
        nonselection_text_alpha=1.0,
    )
    marks.level = "overlay"
    plot.add_tools(
        HoverTool(renderers=[cells], tooltips=[("", "@place"), ("", "@words"), ("", "@verdict")]),
        TapTool(renderers=[cells]),
    )
    _label(plot.xaxis, ranges)
    _label(plot.yaxis, turns)
    plot.grid.grid_line_color = None
    plot.outline_line_color = style.MUTED
    return _steady(dict(json_item(plot, ID(name))))


def script() -> str:
    """Return BokehJS itself."""
    path = files("bokeh") / "server" / "static" / "js" / "bokeh.min.js"
    text = path.read_text(encoding="utf-8")
    # where a debugger would look for the source; nothing may be asked for
    return re.sub(r"//# sourceMappingURL=\S+", "", text)


def _label(axes: Any, values: list[float]) -> None:
    for axis in axes:
        axis.ticker = list(range(len(values)))
        axis.major_label_overrides = {i: number(v) for i, v in enumerate(values)}
        axis.major_tick_line_color = None
        axis.axis_label_text_font_style = "normal"
        axis.major_label_text_color = axis.axis_label_text_color = style.INK


def _columns(
    grid: CellGrid, facet: Facet, shown: list[Quantity], verdict: str
) -> dict[str, list[Any]]:
    rows = grid.cells.with_row_index("cell").filter(
        (pl.col("pipeline") == facet.pipeline) & (pl.col("pitch_deg") == facet.pitch_deg)
    )
    verdicts = rows[verdict].to_list()
    columns: dict[str, list[Any]] = {
        "cell": rows["cell"].to_list(),
        "x": np.searchsorted(grid.ranges_m, rows["range_m"].to_numpy()).tolist(),
        "y": np.searchsorted(grid.turns_deg, rows["turn_deg"].to_numpy()).tolist(),
        "verdict": [f"{MARKS[word]} {word}" for word in verdicts],
        "mark": [MARKS[word] for word in verdicts],
        "place": [
            f"{number(r)} m, {grid.turn_label.split()[0]} {number(t)} deg"
            for r, t in rows.select("range_m", "turn_deg").iter_rows()
        ],
    }
    for i, quantity in enumerate(shown):
        values = rows[quantity.column].to_list()
        fills = [_fill(quantity, value) for value in values]
        columns[f"fill_{i}"] = fills
        columns[f"ink_{i}"] = [style.ink_on(_rgba(fill)) for fill in fills]
        columns[f"hatch_{i}"] = ["/" if value is None else " " for value in values]
        columns[f"words_{i}"] = [_said(quantity, value) for value in values]
    return columns | {n: columns[f"{n}_0"] for n in ("fill", "ink", "hatch", "words")}


def _fill(quantity: Quantity, value: float | None) -> str:
    if value is None:
        return style.NO_CASE
    return str(to_hex(quantity.cmap(float(quantity.norm(value)))))


def _said(quantity: Quantity, value: float | None) -> str:
    if value is None:
        return f"{quantity.label}: none"
    unit = "" if quantity.unit == "%" else f" {quantity.unit}"
    return f"{quantity.label}: {quantity.words(value)}{unit}"


def _rgba(colour: str) -> tuple[float, float, float, float]:
    r, g, b = (int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5))
    return r, g, b, 1.0


def _steady(item: dict[str, Any]) -> dict[str, Any]:
    """Return an item with models numbered from 0: Bokeh counts all that a process ever made."""
    text = json.dumps(item)
    found = dict.fromkeys(re.findall(r'"id": "(p\d+)"', text))
    names = {old: f"p{new}" for new, old in enumerate(found)}

    def renamed(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: renamed(inner) for key, inner in value.items()}
        if isinstance(value, list):
            return [renamed(inner) for inner in value]
        return names.get(value, value) if isinstance(value, str) else value

    return dict(renamed(item))
