"""The study's picture: where the trials went, and what they come to."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import polars as pl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from bench import __version__
from bench.draw import style
from bench.draw.page_layout import Box, Page, panel_title
from bench.survey.contour import Contour, Verdicts
from bench.survey.verdicts import HOLDS
from reports.contour.replay import Adaptive
from reports.contour.setting import REQUESTS, request_words
from reports.contour.study import BOTH

MAP = Box(0.75, 0.35, 4.9, 4.0)
BARS = Box(7.45, 0.35, 2.1, 4.0)


def write(
    folder: Path, contour: Contour, found: Adaptive, full: Verdicts, table: pl.DataFrame
) -> None:
    """Draw the picture."""
    with style.applied():
        style.save(figure(contour, found, full, table), folder / "trials.png")


def figure(contour: Contour, found: Adaptive, full: Verdicts, table: pl.DataFrame) -> Figure:
    """Draw where one replay's trials went, and every tolerance's share of the full grid."""
    plan = contour.plan
    styles = style.pipeline_styles(plan.pipelines)
    handles = [
        Line2D([], [], color=s.colour, linestyle=s.line, lw=2.5, label=f"edge of what holds: {n}")
        for n, s in styles.items()
    ]
    handles.append(
        Patch(
            facecolor="white", edgecolor=style.FAINT, hatch=style.NO_CASE_HATCH, label="no trial"
        )  # type: ignore[arg-type]
    )
    page = Page(
        "Where the trials of the adaptive survey went",
        f"{found.pictures} pictures in {len(found.tested)} of {plan.n_cells} cells, where the "
        f"full grid takes {plan.n_pictures}",
        f"Left: trials that each cell got for {request_words(contour.request)}; edges are the "
        f"full grid's own. Right: pictures as a share of the full grid's, for both pipelines at "
        f"once; whiskers reach over surveys drawn from the record. Seed {plan.seed}, "
        f"{plan.trials} trials a cell at most. sightbench {__version__}.",
        5.0,
        handles,
    )
    axes = page.axes(MAP)
    panel_title(axes, "trials a cell")
    _map(axes, contour, found)
    for i, pipeline in enumerate(plan.pipelines):
        _edge(axes, contour, full, pipeline, styles[pipeline], 0.02 * (i - 0.5))
    bars = page.axes(BARS)
    panel_title(bars, "pictures spent")
    _bars(bars, table)
    return page.figure


def _map(axes: Axes, contour: Contour, found: Adaptive) -> None:
    plan = contour.plan
    shape = len(plan.turns_deg), len(plan.ranges_m)
    trials = np.full(shape, np.nan)
    for (r, t, _), n in found.trials.items():
        trials[t, r] = n
    colours = style.FAILURE_MAP
    looks = contour.looks
    level = np.searchsorted(looks, trials).astype(float)
    level[np.isnan(trials)] = np.nan
    x, y = np.arange(shape[1] + 1) - 0.5, np.arange(shape[0] + 1) - 0.5
    axes.pcolormesh(x, y, level, cmap=colours, vmin=-0.3, vmax=len(looks) + 1.5)
    for t, r in np.ndindex(*shape):
        if np.isnan(trials[t, r]):
            axes.add_patch(_untested(r, t))
        else:
            dark = level[t, r] >= len(looks) - 1
            axes.text(
                r,
                t,
                f"{trials[t, r]:.0f}",
                ha="center",
                va="center",
                fontsize=style.SMALL - 1,
                color="white" if dark else style.INK,
            )
    axes.set_xticks(range(0, shape[1], 2), [style.plain(v) for v in plan.ranges_m[::2]])
    axes.set_yticks(range(0, shape[0], 2), [style.plain(v) for v in plan.turns_deg[::2]])
    axes.set_xlim(-0.5, shape[1] - 0.5)
    axes.set_ylim(-0.5, shape[0] - 0.5)
    axes.set_xlabel("range (m)")
    axes.set_ylabel("turn (deg)")


def _untested(r: int, t: int) -> Patch:
    return Rectangle(
        (r - 0.5, t - 0.5),
        1,
        1,
        facecolor="white",
        edgecolor=style.FAINT,
        hatch=style.NO_CASE_HATCH,
        lw=0,
    )


def _edge(
    axes: Axes,
    contour: Contour,
    full: Verdicts,
    pipeline: str,
    look: style.PipelineStyle,
    aside: float,
) -> None:
    """Draw the border between cells that the full grid says hold and all others."""
    for (x0, x1), (y0, y1) in _borders(contour, full, pipeline):
        axes.plot(
            [x0 + 2 * aside, x1 + 2 * aside],
            [y0 + 2 * aside, y1 + 2 * aside],
            color=look.colour,
            linestyle=look.line,
            lw=2.5,
            solid_capstyle="butt",
        )


Border = tuple[tuple[float, float], tuple[float, float]]


def _borders(contour: Contour, full: Verdicts, pipeline: str) -> Iterator[Border]:
    for (r, t, p), found in full.items():
        here = found[pipeline] == HOLDS
        right, above = full.get((r + 1, t, p)), full.get((r, t + 1, p))
        if right is not None and (right[pipeline] == HOLDS) != here:
            yield (r + 0.5, r + 0.5), (t - 0.5, t + 0.5)
        if above is not None and (above[pipeline] == HOLDS) != here:
            yield (r - 0.5, r + 0.5), (t + 0.5, t + 0.5)


def _bars(axes: Axes, table: pl.DataFrame) -> None:
    shares = table.filter(pl.col("who") == BOTH).with_columns(
        (pl.col("pictures_adaptive") / pl.col("pictures_full")).alias("share")
    )
    for i, request in enumerate(REQUESTS):
        these = shares.filter(pl.col("request") == i)
        own = float(these.filter(pl.col("draw") == 0)["share"][0])
        drawn = these.filter(pl.col("draw") > 0)["share"]
        axes.barh(i, 100 * own, height=0.6, color=style.OKABE_ITO[5])
        end = own
        if len(drawn):
            low, high = float(drawn.min()), float(drawn.max())  # type: ignore[arg-type]
            axes.plot([100 * low, 100 * high], [i, i], color=style.INK, lw=1.2, marker="|")
            end = max(end, high)
        axes.text(100 * end + 1.5, i, f"{100 * own:.0f} %", va="center", fontsize=style.SMALL)
        words = request_words(request).replace(" and ", " and\n").split("\n")
        axes.text(
            -0.03,
            i,
            "\n".join(words),
            ha="right",
            va="center",
            fontsize=style.SMALL - 1,
            transform=axes.get_yaxis_transform(),
        )
    axes.set_xlim(0, 100)
    axes.set_ylim(len(REQUESTS) - 0.4, -0.6)
    axes.set_yticks([])
    axes.set_xlabel("% of the full grid's")
