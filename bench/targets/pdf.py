"""Print sheets as PDF, through Matplotlib's vector backend: exact paths, embedded fonts."""

from __future__ import annotations

from io import BytesIO

import matplotlib as mpl
import numpy as np
from matplotlib.artist import Artist
from matplotlib.backends.backend_pdf import FigureCanvasPdf, PdfPages
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, PathPatch
from matplotlib.path import Path as MplPath
from matplotlib.text import Text as MplText
from matplotlib.transforms import Affine2D, Transform

from bench.targets.page import Dot, Fill, Line, Mark, Page, Sheet, Text
from bench.typing import Array

MM_PER_INCH = 25.4
POINTS_PER_MM = 72.0 / MM_PER_INCH
ALIGN = {"start": "left", "middle": "center", "end": "right"}


def sheet_pdf(sheet: Sheet) -> bytes:
    """Return a sheet's pages as one PDF; equal sheets give equal bytes, without a date."""
    about = {"Title": sheet.name, "Creator": "sightbench", "CreationDate": None}
    buffer = BytesIO()
    # whatever the user's own settings are, the page comes out the same
    settings = mpl.rc_context(
        {
            "font.family": ["DejaVu Sans"],
            "path.simplify": False,
            "pdf.compression": 6,
            "pdf.fonttype": 3,
            "pdf.inheritcolor": False,
            "pdf.use14corefonts": False,
            "text.usetex": False,
        }
    )
    with settings, PdfPages(buffer, metadata=about) as pdf:
        for page in sheet.pages:
            pdf.savefig(_figure(page))
    return buffer.getvalue()


def _figure(page: Page) -> Figure:
    figure = Figure(figsize=(page.width / MM_PER_INCH, page.height / MM_PER_INCH))
    FigureCanvasPdf(figure)
    figure.patch.set_visible(False)
    millimetres = Affine2D().scale(1.0 / MM_PER_INCH) + figure.dpi_scale_trans
    window = _path((page.window,))
    for shape in page.pattern:
        figure.add_artist(_artist(shape, millimetres)).set_clip_path(window, millimetres)
    for mark in page.marks:
        figure.add_artist(_artist(mark, millimetres))
    return figure


def _path(rings: tuple[Array, ...]) -> MplPath:
    return MplPath.make_compound_path(
        *(MplPath(np.vstack((ring, ring[:1])), closed=True) for ring in rings)
    )


def _artist(mark: Mark, millimetres: Transform) -> Artist:
    tone = str(mark.tone)  # Matplotlib reads a number in a string as a grey level
    match mark:
        case Fill():
            return PathPatch(_path(mark.rings), fc=tone, lw=0, transform=millimetres)
        case Dot():
            return Circle((mark.x, mark.y), mark.radius, fc=tone, lw=0, transform=millimetres)
        case Line():
            return Line2D(
                (mark.x0, mark.x1),
                (mark.y0, mark.y1),
                lw=mark.width * POINTS_PER_MM,
                color=tone,
                solid_capstyle="butt",
                transform=millimetres,
            )
        case Text():
            return MplText(
                mark.x,
                mark.y,
                mark.text,
                color=tone,
                fontsize=mark.size * POINTS_PER_MM,
                fontweight="bold" if mark.bold else "normal",
                ha=ALIGN[mark.anchor],
                va="baseline",
                parse_math=False,
                transform=millimetres,
            )
