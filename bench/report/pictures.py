"""The figures of a map as images, for where nothing can be pointed at: paper and comparisons.

A PDF gets them as SVG. In a page they are WebP without loss, a tenth of the size: a heat map's
numbers are drawn as shapes, each with its rim.
"""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from typing import Literal

import matplotlib
from matplotlib.figure import Figure
from PIL import Image

from bench import __version__
from bench.present import style
from bench.present.bound_maps import bound_figure, efficiency_figure
from bench.present.comparison import ratio_figure, reach_figure
from bench.present.curves import error_against_range, error_against_tilt
from bench.present.failures import failure_figure
from bench.present.grid import CellGrid
from bench.present.heat_maps import heat_map_figure
from bench.present.map_figures import along_map, detection_map, rotation_map, usable_map
from bench.present.map_info import MapInfo
from bench.report.run import MapRun

Kind = Literal["svg", "webp"]
FACTS = {"Creator": f"sightbench {__version__}", "Date": None}


@dataclass(frozen=True)
class StaticFigure:
    """A figure as an image of the page: data URL, and what it shows in words."""

    name: str
    url: str
    alt: str


def map_figures(grid: CellGrid, info: MapInfo, kind: Kind) -> list[StaticFigure]:
    """Return the maps."""
    asked = f"{info.error_words} against range and tilt"
    with style.applied():
        figures = {
            "rotation": (
                heat_map_figure(grid, rotation_map(grid, info), info),
                f"Heat maps of the {asked}, one a pipeline; the tables of cells hold the numbers.",
            ),
            "usable": (
                heat_map_figure(grid, usable_map(info), info),
                "Heat maps of the usable rate, one a pipeline; the tables of cells hold the "
                "numbers.",
            ),
            "detection": (
                heat_map_figure(grid, detection_map(info), info),
                "Heat maps of the detection rate, one a pipeline; the details of cells hold the "
                "numbers.",
            ),
            "along": (
                heat_map_figure(grid, along_map(grid, info), info),
                "Heat maps of the position error along the line of sight, one a pipeline.",
            ),
            "failures": (
                failure_figure(grid, info),
                "How the cases of each pipeline failed, against range and tilt.",
            ),
        }
        return _drawn(figures, kind)


def bound_figures(
    run: MapRun, grid: CellGrid, info: MapInfo, kind: Kind
) -> list[StaticFigure]:
    """Return the comparisons of the pipelines with the bound and with each other."""
    with style.applied():
        figures = {
            "range": (
                error_against_range(grid, info),
                "Curves of the rotation error of each pipeline and of the bound against range; "
                "the table after the figures says how near each comes.",
            ),
            "tilt": (
                error_against_tilt(grid, info),
                "Curves of the rotation error of each pipeline and of the bound against tilt.",
            ),
            "efficiency": (
                efficiency_figure(grid, info),
                "Heat maps of the efficiency, bound over RMS error, one a pipeline.",
            ),
            "bound": (
                bound_figure(grid, info),
                "Heat maps of the bound on the rotation error: of all pixels, and of the points "
                "that each detector finds.",
            ),
            "reach": (
                reach_figure(grid, info),
                "Bars of the longest range that holds, by tilt and pipeline; the table of limits "
                "holds the numbers.",
            ),
            "ratio": (
                ratio_figure(grid, run.cases, info),
                "Rotation error of each pipeline relative to the first, a dot a cell.",
            ),
        }
        return _drawn(figures, kind)


def figure_url(figure: Figure, kind: Kind, salt: str = "") -> str:
    """Return a figure as a data URL; its bytes depend on the figure alone."""
    buffer = io.BytesIO()
    with style.applied():
        matplotlib.rcParams["svg.hashsalt"] = salt  # names inside the file
        if kind == "svg":
            figure.savefig(buffer, format="svg", metadata=FACTS)
        else:
            figure.savefig(buffer, format="png", dpi=figure.dpi)
            picture = Image.open(buffer).convert("RGB")
            buffer = io.BytesIO()
            picture.save(buffer, "WEBP", lossless=True, quality=100, method=4)
    media = {"svg": "image/svg+xml", "webp": "image/webp"}[kind]
    return f"data:{media};base64,{base64.b64encode(buffer.getvalue()).decode()}"


def _drawn(figures: dict[str, tuple[Figure | None, str]], kind: Kind) -> list[StaticFigure]:
    return [
        StaticFigure(name, figure_url(figure, kind, name), alt)
        for name, (figure, alt) in figures.items()
        if figure is not None
    ]
