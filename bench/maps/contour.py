"""Figure of a tolerance's contour: tested cells, and verdicts implied between them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.colors import ListedColormap
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from bench.draw import style
from bench.draw.cell_grid import edges, is_stretched
from bench.draw.map_info import MapInfo
from bench.draw.page_layout import Page, PanelGrid, panel_title, title_lines
from bench.scene.model import Bay
from bench.survey.contour import Contour, Verdicts, implied_verdicts
from bench.survey.contour_run import ContourReport
from bench.survey.verdicts import FAILS, HOLDS, UNDECIDED
from bench.survey.worker import Job

# Mark, colour and background of each verdict; backgrounds differ in lightness too.
LOOKS = {
    HOLDS: ("o", "#0072B2", "#d4e6f1"),
    UNDECIDED: ("D", "#E69F00", "#fdf3d6"),
    FAILS: ("X", "#D55E00", "#ffffff"),
}
PANEL = 2.6  # inches
LEAST, MOST = 3.2, 6.0  # of a mark, points, after the fewest and the most trials


def contour_figure(
    contour: Contour, verdicts: Verdicts, trials: dict[tuple[int, int, int], int], info: MapInfo
) -> Figure:
    """Draw what was tested along a tolerance's contour, a panel for each pipeline and pitch.

    Parameters
    ----------
    contour : Contour
        What was looked for.
    verdicts : dict
        Of each tested cell, for each pipeline.
    trials : dict
        Pictures that each tested cell got.
    info : MapInfo
        Of the survey.
    """
    plan = contour.plan
    panels = [(p, pitch) for p in plan.pipelines for pitch in range(len(plan.pitches_deg))]
    columns = min(len(panels), 3)
    page_grid = PanelGrid(len(panels), columns, style.WIDTH - 0.3, PANEL)
    tested, total = sum(trials.values()), plan.n_pictures
    page = Page(
        "Where the tolerance stops holding",
        f"{len(verdicts)} of {plan.n_cells} cells tested with {tested} pictures; the full grid "
        f"takes {total}: {100 * (1 - tested / total):.0f} % saved",
        info.caption(
            f"Holds: {info.criteria_words}, at {info.confidence_words}, for all "
            f"{len(contour.looks)} looks at a cell together.",
            "Shaded between tested cells: what all tested cells around say, assumed, not tested.",
        ),
        page_grid.height,
        _key(contour),
    )
    implied = implied_verdicts(contour, verdicts)
    for index, (pipeline, pitch) in enumerate(panels):
        axes = page.axes(page_grid.box(index))
        words = pipeline if len(plan.pitches_deg) == 1 else f"{pipeline}, pitch "
        if len(plan.pitches_deg) > 1:
            words += f"{style.plain(plan.pitches_deg[pitch])} deg"
        panel_title(axes, *title_lines(words, page_grid.panel_width))
        _panel(axes, contour, pipeline, pitch, verdicts, implied, trials)
        if page_grid.is_first_column(index):
            axes.set_ylabel("turn (deg)")
        if page_grid.is_lowest(index):
            axes.set_xlabel("range (m)")
    return page.figure


def _panel(
    axes: Axes,
    contour: Contour,
    pipeline: str,
    pitch: int,
    verdicts: Verdicts,
    implied: Verdicts,
    trials: dict[tuple[int, int, int], int],
) -> None:
    plan = contour.plan
    ranges, turns = np.array(plan.ranges_m), np.array(plan.turns_deg)
    order = list(LOOKS)
    field = np.array(
        [
            [order.index(implied[r, t, pitch][pipeline]) for r in range(len(ranges))]
            for t in range(len(turns))
        ]
    )
    axes.pcolormesh(
        edges(ranges),
        edges(turns),
        field,
        cmap=ListedColormap([LOOKS[name][2] for name in order]),
        vmin=-0.5,
        vmax=len(order) - 0.5,
    )
    fewest, most = min(contour.looks), max(contour.looks)
    for (r, t, p), found in verdicts.items():
        if p != pitch:
            continue
        marker, colour, _ = LOOKS[found[pipeline]]
        share = np.log(trials[r, t, p] / len(plan.positions) / fewest)
        share /= np.log(most / fewest) or 1.0
        axes.plot(
            ranges[r],
            turns[t],
            marker=marker,
            markersize=LEAST + (MOST - LEAST) * share,
            markeredgewidth=0.0,
            color=colour,
        )
    ticks = ranges[:: 2**contour.levels]
    if is_stretched(ticks):
        axes.set_xscale("log")
    # where the given grid is: a tick of its own choice would stand at the frame's very end
    step = -(-len(ticks) // 6)
    axes.set_xticks(ticks[::step], [style.plain(float(v)) for v in ticks[::step]])
    axes.set_xticks([], minor=True)
    axes.set_xlim(*edges(ranges)[[0, -1]])
    axes.set_ylim(*edges(turns)[[0, -1]])


def _key(contour: Contour) -> list[Artist]:
    marks: list[Artist] = [
        Line2D([], [], marker=LOOKS[name][0], color=LOOKS[name][1], linestyle="", label=name)
        for name in LOOKS
    ]
    shade = Patch(facecolor=LOOKS[HOLDS][2], edgecolor=style.MUTED, linewidth=0.5)
    shade.set_label("holds, between tested cells")
    marks.append(shade)
    fewest, most = min(contour.looks), max(contour.looks)
    if most > fewest:
        for size, n in ((LEAST, fewest), (MOST, most)):
            mark = Line2D([], [], marker="o", markersize=size, color=style.MUTED, linestyle="")
            mark.set_label(f"any mark this size: {n} trials")
            marks.append(mark)
    return marks


def write_contour_picture(
    out: Path, place: Bay, job: Job, contour: Contour, report: ContourReport, cells: pl.DataFrame
) -> Path:
    """Draw contour.png, with the trials that each cell of the table took."""
    plan = contour.plan
    fewest = contour.looks[0] * len(plan.positions)
    info = MapInfo.of(place, job, contour.request, fewest=fewest)
    at = ["range_m", "turn_deg", "pitch_deg"]
    axes = (plan.ranges_m, plan.turns_deg, plan.pitches_deg)
    trials = {
        (axes[0].index(r), axes[1].index(t), axes[2].index(p)): n
        for r, t, p, n in cells.group_by(at).agg(pl.col("n").first()).iter_rows()
    }
    with style.applied():
        figure = contour_figure(contour, report.verdicts, trials, info)
        return style.save(figure, out / "contour.png")
