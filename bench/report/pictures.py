"""The figures of a map as images, for where nothing can be pointed at: paper and comparisons.

They are WebP without loss: as SVG they are ten times as large, and what makes a PDF leaves out the
rims that keep a heat map's numbers apart from its contours.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass

from matplotlib.figure import Figure
from PIL import Image

from bench.draw import style
from bench.draw.cell_grid import CellGrid
from bench.draw.heat_maps import heat_map_figure
from bench.draw.map_info import MapInfo
from bench.maps.bounds import bound_figure, efficiency_figure
from bench.maps.curves import error_against_range, error_against_tilt
from bench.maps.failures import KINDS, failure_figure
from bench.maps.figures import along_map, rotation_map, success_map
from bench.pages import data_url

TALL = 0.9  # height over width: half a page is 0.62, and letters may shrink by a third


@dataclass(frozen=True)
class StaticFigure:
    """A figure as an image of the page: data URL, what it shows in words, whether it is tall.

    Of what isn't tall two fit a printed page.
    """

    name: str
    url: str
    alt: str
    tall: bool = False


def map_figures(grid: CellGrid, info: MapInfo) -> list[StaticFigure]:
    """Return the maps."""
    asked = f"{info.error_words} against range and tilt"
    with style.applied():
        figures = {
            "rotation": (
                heat_map_figure(grid, rotation_map(grid, info), info),
                f"Heat maps of the {asked}, one a pipeline; the tables of cells hold the numbers.",
            ),
            "success": (
                heat_map_figure(grid, success_map(info), info),
                "Heat maps of the rate of pictures usable and within tolerance, one a pipeline; "
                "the tables of cells hold the numbers.",
            ),
            "along": (
                heat_map_figure(grid, along_map(grid, info), info),
                "Heat maps of the position error along the line of sight, one a pipeline.",
            ),
            # one a figure: together they would be shrunk to fit a page
            **{
                f"failures-{kind}": (
                    failure_figure(grid, info, (kind,)),
                    f"How many cases of each pipeline were {words}, against range and tilt.",
                )
                for kind, words in KINDS.items()
                if int(grid.cells[kind].sum())
            },
        }
        return _drawn(figures)


def bound_figures(grid: CellGrid, info: MapInfo) -> list[StaticFigure]:
    """Return the comparisons of the pipelines with the bound."""
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
        }
        return _drawn(figures)


def figure_url(figure: Figure) -> str:
    """Return a figure as a data URL; its bytes depend on the figure alone."""
    buffer = io.BytesIO()
    with style.applied():
        figure.savefig(buffer, format="png", dpi=figure.dpi)
    with Image.open(buffer) as picture:
        return picture_url(picture)


def picture_url(picture: Image.Image, quality: int | None = None) -> str:
    """Return a picture as a data URL of a WebP file, of a quality or without loss."""
    buffer = io.BytesIO()
    # method 4 is Pillow's default; named, lest another default change the bytes
    picture.convert("RGB").save(
        buffer, "WEBP", lossless=quality is None, quality=quality or 100, method=4
    )
    return data_url("image/webp", buffer.getvalue())


def _drawn(figures: Mapping[str, tuple[Figure | None, str]]) -> list[StaticFigure]:
    return [
        StaticFigure(name, figure_url(figure), alt, _is_tall(figure))
        for name, (figure, alt) in figures.items()
        if figure is not None
    ]


def _is_tall(figure: Figure) -> bool:
    width, height = figure.get_size_inches()
    return bool(height > TALL * width)
