"""The study's figures."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator
from scipy import stats

from bench import __version__
from bench.draw import style
from bench.draw.map_info import MapInfo
from bench.draw.page_layout import Page, PanelGrid, panel_title
from bench.maps.ambiguity import ambiguity_figure
from reports.photometric.cases import COMPONENTS
from reports.photometric.setting import BLURS_PX, SIZES_PX, TILTS_DEG, Cell
from reports.photometric.study import Study
from reports.photometric.tables import LEAST_EFFICIENCY, MOST_MIRRORED

NAMES = ("pitch", "tilt", "spin", "across", "axis", "along")


def write(study: Study, folder: Path) -> None:
    """Draw all figures."""
    with style.applied():
        for name, figure in {
            "efficiency.png": efficiency_figure(study),
            "calibration.png": calibration_figure(study),
            "ambiguity_map.png": ambiguity_figure(study.mirrored, _info(study)),
        }.items():
            style.save(figure, folder / name)


def efficiency_figure(study: Study) -> Figure:
    """Draw efficiency against marker size, a panel a component and blur, a line a tilt."""
    styles = style.pipeline_styles([f"{tilt:g} deg" for tilt in TILTS_DEG])
    handles = [
        Line2D([], [], color=s.colour, marker=s.marker, linestyle=s.line, label=f"tilt {name}")
        for name, s in styles.items()
    ]
    handles.append(Line2D([], [], color=style.MUTED, linestyle=":", label="asked: 0.9"))
    panels = PanelGrid(6 * len(BLURS_PX), 3, 9.7, 1.35)
    page = Page(
        "How near the photometric solver comes to the bound",
        "efficiency, √(mean bound variance) / RMS error, with 95 % bootstrap intervals",
        f"n = {study.n} pictures a cell, seed {study.seed}; cases on the right side. 36h11 marker "
        f"of 0.2 m, noise 1 % of full scale. sightbench {__version__}.",
        panels.height,
        handles,
    )
    for index in range(panels.count):
        blur, component = BLURS_PX[index // 6], index % 6
        axes = page.axes(panels.box(index))
        panel_title(axes, f"{NAMES[component]}, blur {blur:g} px")
        for rank, tilt in enumerate(TILTS_DEG):
            _efficiency_line(axes, study, blur, tilt, COMPONENTS[component], rank)
        axes.axhline(1.0, color=style.MUTED, linewidth=0.8)
        axes.axhline(LEAST_EFFICIENCY, color=style.MUTED, linewidth=1.0, linestyle=":")
        axes.set_ylim(0.82, 1.45)
        axes.set_xlim(-0.5, len(SIZES_PX) - 0.5)
        axes.xaxis.set_major_locator(FixedLocator(list(range(len(SIZES_PX)))))
        axes.xaxis.set_major_formatter(FixedFormatter([f"{size:g}" for size in SIZES_PX]))
        if panels.is_lowest(index):
            axes.set_xlabel("marker size (px)")
    return page.figure


def _efficiency_line(
    axes: Axes, study: Study, blur: float, tilt: float, component: str, rank: int
) -> None:
    drawn = style.pipeline_styles([f"{t:g} deg" for t in TILTS_DEG])[f"{tilt:g} deg"]
    names = [Cell(size, tilt, blur).name for size in SIZES_PX]
    rows = [study.cells.row(by_predicate=pl.col("cell") == name, named=True) for name in names]
    value, low, high = (
        np.array([row[f"efficiency_{component}{end}"] for row in rows])
        for end in ("", "_lo", "_hi")
    )
    x = np.arange(len(SIZES_PX)) + 0.13 * (rank - 1.5)
    axes.errorbar(
        x,
        value,
        yerr=np.clip([value - low, high - value], 0.0, None),
        color=drawn.colour,
        marker=drawn.marker,
        markersize=4,
        linestyle=drawn.line,
        linewidth=1.0,
        elinewidth=0.8,
    )


def calibration_figure(study: Study) -> Figure:
    """Draw the normalised squared errors of the cells, and mirrored poses beside predictions."""
    panels = PanelGrid(2, 2, 9.7, 3.2, left=0.65, gap=0.75)
    page = Page(
        "Does it know its own uncertainty, and how often is it mirrored?",
        "",
        f"n = {study.n} pictures a cell, seed {study.seed}. Left: mean squared error normalised "
        "by the claimed covariance, cells in the order of cells.csv; the band holds 95 % of "
        "exact claims one by one, the dotted lines all of them at once; above are claims too "
        "narrow, below claims that allow for what a picture can't rule out. Right: 95 % Wilson "
        "intervals; cells with neither a mirrored pose nor 0.01 % of them predicted are left out. "
        f"sightbench {__version__}.",
        panels.height,
    )
    _nees_panel(page.axes(panels.box(0)), study)
    _mirrored_panel(page.axes(panels.box(1)), study)
    return page.figure


def _nees_panel(axes: Axes, study: Study) -> None:
    panel_title(axes, "normalised squared error, six where exact")
    cells = study.cells
    n = cells["n_solved"].to_numpy() - cells["n_mirrored"].to_numpy()
    x = np.arange(len(cells))
    for risk, line in ((0.05, None), (0.05 / len(cells), ":")):
        low, high = (stats.chi2.ppf(q, 6 * n) / n for q in (0.5 * risk, 1.0 - 0.5 * risk))
        if line is None:
            axes.fill_between(x, low, high, color=style.FAINT, step="mid", linewidth=0.0)
        else:
            for end in (low, high):
                axes.plot(x, end, color=style.MUTED, linestyle=line, linewidth=1.0)
    axes.axhline(6.0, color=style.MUTED, linewidth=0.8)
    axes.plot(x, cells["nees"].to_numpy(), "o", color=style.OKABE_ITO[0], markersize=4)
    axes.set_xlabel("cell")
    axes.set_ylabel("mean of eᵀ Σ⁻¹ e")


def _mirrored_panel(axes: Axes, study: Study) -> None:
    panel_title(axes, "mirrored poses (%)")
    told = study.cells.filter((pl.col("n_mirrored") > 0) | (pl.col("mirrored_predicted") > 1e-4))
    least, most = 5e-3, 60.0  # per cent
    line = np.array([least, most])
    axes.plot(line, line, color=style.MUTED, linewidth=0.8)
    axes.plot(line, MOST_MIRRORED * line, color=style.MUTED, linewidth=1.0, linestyle=":")
    axes.text(0.05, 0.095, "1.5 times", rotation=42, color=style.MUTED, fontsize=style.SMALL)
    predicted, counted, low, high = (
        np.clip(100.0 * told[name].to_numpy(), least, None)
        for name in ("mirrored_predicted", "mirrored", "mirrored_lo", "mirrored_hi")
    )
    axes.errorbar(
        predicted,
        counted,
        yerr=np.clip([counted - low, high - counted], 0.0, None),
        fmt="o",
        color=style.OKABE_ITO[0],
        markersize=4,
        elinewidth=0.8,
    )
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlim(least, most)
    axes.set_ylim(least, most)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(FixedLocator([0.01, 0.1, 1.0, 10.0]))
        axis.set_major_formatter(FixedFormatter(["0.01", "0.1", "1", "10"]))
        axis.set_minor_locator(NullLocator())
    axes.set_xlabel("predicted, Q(d/2)")
    axes.set_ylabel("counted")


def _info(study: Study) -> MapInfo:
    return MapInfo(
        bay="none",
        target="36h11 marker of 0.2 m",
        camera="3000 px focal length, blur 0.6 px, noise 1 % of full scale",
        seed=study.seed,
        pictures=study.few,
        version=__version__,
    )
