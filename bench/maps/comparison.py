"""Pipelines side by side: how far each holds, and each one's error over another's."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.patheffects import Normal, Stroke
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from bench.draw import style
from bench.draw.cell_grid import CellGrid, choose
from bench.draw.map_info import MapInfo
from bench.draw.page_layout import Box, Page, shorten, text_width
from bench.survey.pieces import Cases, pieces_of
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


def paired_ratios(cases: Cases, pipelines: Sequence[str], reference: str) -> pl.DataFrame:
    """Return each pipeline's RMS rotation error over the reference's, cell by cell.

    Only pictures that both solved (outcome ok) count, so that neither gains by failing on the
    hard ones.

    Returns
    -------
    polars.DataFrame
        Columns ``pipeline``, ``range_m``, ``turn_deg``, ``pitch_deg``, ``tilt_deg``, ``n``
        (pictures in common) and ``ratio``; cells with fewer than two such pictures are left out.
    """
    place = ["range_m", "turn_deg", "pitch_deg", "tilt_deg"]
    needed = ["key", "pipeline", *place, "err_rot_deg"]
    found = []
    for piece in pieces_of(cases):
        solved = piece.filter(pl.col("outcome") == "ok").select(needed).collect()
        found.append(_ratios(solved, place, pipelines, reference))
    return pl.concat(found).sort("pipeline", *place)


def _ratios(
    solved: pl.DataFrame, place: list[str], pipelines: Sequence[str], reference: str
) -> pl.DataFrame:
    base = solved.filter(pl.col("pipeline") == reference).select(
        "key", pl.col("err_rot_deg").alias("reference")
    )
    others = solved.filter(pl.col("pipeline").is_in([p for p in pipelines if p != reference]))
    return (
        others.join(base, on="key", how="inner")
        .group_by("pipeline", *place)
        .agg(
            pl.len().alias("n"),
            (pl.col("err_rot_deg").pow(2).mean() / pl.col("reference").pow(2).mean())
            .sqrt()
            .alias("ratio"),
        )
        .filter((pl.col("n") >= 2) & pl.col("ratio").is_finite() & (pl.col("ratio") > 0.0))
    )


def ratio_figure(grid: CellGrid, cases: Cases, info: MapInfo) -> Figure | None:
    """Draw each pipeline's error relative to the first one's, a dot a cell, or None.

    None where there is one pipeline alone, or no picture that two of them solved.
    """
    reference = grid.pipelines[0]
    ratios = paired_ratios(cases, grid.pipelines, reference)
    others = [p for p in grid.pipelines[1:] if p in set(ratios["pipeline"])]
    if not others:
        return None
    styles = style.pipeline_styles(grid.pipelines)
    row = 0.52
    page = Page(
        f"Rotation error relative to {reference}",
        "RMS over the pictures that both solved, a dot a cell, a bar at the median cell",
        info.caption(
            f"Right of 1 a pipeline errs more than {reference}. Dots are spread upwards by tilt, "
            "the least tilted lowest.",
        ),
        row * len(others) + 0.55,
    )
    left = min(3.0, max(text_width(name, style.SMALL) for name in others) + 0.15)
    words = 2.1
    width = page.width - 0.3 - left - words
    axes = page.axes(Box(left, 0.05, width, row * len(others)))
    axes.set_xscale("log")
    values = ratios["ratio"].to_numpy()
    low, high = min(values.min(), 1.0) / 1.25, max(values.max(), 1.0) * 1.25
    axes.set_xlim(low, high)
    axes.set_ylim(0.0, len(others))
    axes.axvline(1.0, color=style.INK, linewidth=1.0)
    steepest = max(float(ratios["tilt_deg"].max() or 0.0), 1e-9)  # type: ignore[arg-type]
    for rank, name in enumerate(others):
        mine = ratios.filter(pl.col("pipeline") == name)
        x, middle = mine["ratio"].to_numpy(), float(np.median(mine["ratio"].to_numpy()))
        base = len(others) - 1 - rank
        look = styles[name]
        y = base + 0.2 + 0.6 * mine["tilt_deg"].to_numpy() / steepest
        axes.plot(
            x, y, linestyle="", marker=look.marker, markersize=4, color=look.colour, alpha=0.6
        )
        axes.plot([middle, middle], [base + 0.1, base + 0.9], color=look.colour, linewidth=3)
        axes.annotate(
            f"median {style.number(middle)}; more in\n{int((x > 1.0).sum())} of {len(x)} cells",
            (1.0, base + 0.5),
            xycoords=axes.get_yaxis_transform(),
            xytext=(8, 0),
            textcoords="offset points",
            va="center",
            fontsize=style.SMALL,
        )
    axes.yaxis.set_major_locator(FixedLocator([len(others) - 0.5 - i for i in range(len(others))]))
    axes.yaxis.set_major_formatter(
        FuncFormatter(lambda _, i: shorten(others[i or 0], left - 0.1, style.SMALL))
    )
    axes.tick_params(axis="y", length=0)
    steps = [m * 10.0**e for e in range(-4, 5) for m in (1, 1.2, 1.5, 2, 3, 5, 7)]
    axes.xaxis.set_major_locator(FixedLocator(_ratio_ticks(steps, low, high)))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda v, _: style.plain(v)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xlabel(f"RMS rotation error over that of {reference}, logarithmic")
    axes.spines[["top", "right"]].set_visible(False)
    return page.figure


def _ratio_ticks(steps: Sequence[float], low: float, high: float) -> list[float]:
    """Return ticks within `low` to `high`, coarser for a wide span, 1 always among them."""
    span = np.log10(high / low)
    allowed = (1.0,) if span > 4 else (1.0, 2.0, 5.0) if span > 0.8 else None
    ticks = []
    for step in steps:
        mantissa = step / 10.0 ** np.floor(np.log10(step) + 1e-9)
        if low <= step <= high and (allowed is None or round(mantissa, 6) in allowed):
            ticks.append(step)
    return ticks
