"""The one look of every picture: fonts, colours, marks, and how a figure becomes a file.

Colour never stands alone: pipelines also differ by marker and line, heat maps also carry
numbers, cells without a usable case are hatched, verdicts are outlined and lettered.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import matplotlib
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import Colormap, ListedColormap, LogNorm, Normalize
from matplotlib.figure import Figure

from bench import __version__
from bench.files import make_directory, write_atomically

DPI = 150
# Inches. At 10 in and 150 dpi a picture is 1500 px wide; a page that shows it at half that
# width still gives the smallest type, 9 pt, about 9 px of height.
WIDTH = 10.0
FAMILY = "DejaVu Sans"  # comes with matplotlib
SMALL, NORMAL, LARGE = 9.0, 10.0, 13.0

# Perceptually uniform and safe for the common colour deficiencies (Nuñez, Anderton and Renslow
# 2018, doi:10.1371/journal.pone.0199239).
ERROR_MAP: Colormap = matplotlib.colormaps["viridis"]
# One hue from pale to dark, safe for colour deficiencies (Brewer's Blues, less its white end):
# pale where all is well, dark where nothing works; white is kept for a share of none.
FAILURE_MAP: Colormap = ListedColormap(
    matplotlib.colormaps["Blues"](np.linspace(0.12, 1.0, 256)), name="failures"
).with_extremes(bad="white")
RATE_MAP: Colormap = FAILURE_MAP.reversed()

INK = "#1a1a1a"
MUTED = "#595959"
FAINT = "#c8c8c8"
NO_CASE = "#dddddd"
NO_CASE_HATCH = "////"

# Okabe and Ito (2008), "Color universal design"; yellow is left out: too light for a line
# on white. Black comes last.
OKABE_ITO = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000")
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "<", ">", "p", "h")
Line = Literal["-", "--", "-.", ":"] | tuple[float, Sequence[float]]
LINES: tuple[Line, ...] = ("-", "--", "-.", ":", (0, (6, 1, 1, 1, 1, 1)))
HATCHES = ("", "////", "....", "xxxx", "||||", "----", "\\\\\\\\", "++++", "oooo")

RC: dict[Any, Any] = {
    "font.family": [FAMILY],
    "font.size": NORMAL,
    "axes.labelsize": NORMAL,
    "axes.titlesize": NORMAL,
    "xtick.labelsize": SMALL,
    "ytick.labelsize": SMALL,
    "legend.fontsize": SMALL,
    "text.parse_math": False,  # names come from users: a "$" in one is a "$"
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": MUTED,
    "axes.linewidth": 0.8,
    "xtick.color": INK,
    "ytick.color": INK,
    "hatch.linewidth": 0.5,
    "hatch.color": "edge",
    "figure.dpi": DPI,
    "savefig.dpi": DPI,
}


@dataclass(frozen=True)
class PipelineStyle:
    """How one pipeline is drawn wherever pipelines are told apart."""

    colour: str
    marker: str
    line: Line
    hatch: str


def pipeline_styles(pipelines: Sequence[str]) -> dict[str, PipelineStyle]:
    """Return a style for each pipeline, in the order given.

    Colours, markers, lines and hatches cycle with co-prime lengths (7, 11, 5 and 9), so that
    no two of the first 77 pipelines share colour and marker.
    """
    return {
        name: PipelineStyle(
            OKABE_ITO[i % len(OKABE_ITO)],
            MARKERS[i % len(MARKERS)],
            LINES[i % len(LINES)],
            HATCHES[i % len(HATCHES)],
        )
        for i, name in enumerate(dict.fromkeys(pipelines))
    }


@contextmanager
def applied() -> Iterator[None]:
    """Use the bench's look, whatever the user's own matplotlib settings say, and restore."""
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(RC)
        yield


def new_figure(width: float, height: float, dpi: float = DPI) -> Figure:
    """Return an empty white figure, inches, with its own Agg canvas."""
    figure = Figure(figsize=(width, height), dpi=dpi, facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def save(figure: Figure, path: Path) -> Path:
    """Write a figure as PNG and return `path`.

    The bytes depend on the figure alone. The file appears whole or not at all: a picture of
    an earlier run survives when the disk is full.

    Raises
    ------
    RunError
        The file can't be written.
    """
    make_directory(path.parent)
    write_atomically(path, png(figure))
    return path


def png(figure: Figure) -> bytes:
    """Return a figure as a PNG file's content."""
    buffer = io.BytesIO()
    with applied():
        figure.savefig(
            buffer,
            format="png",
            dpi=figure.dpi,
            metadata={"Software": f"sightbench {__version__}"},
            pil_kwargs={"compress_level": 4},  # of 6 a seventh smaller, and twice as long
        )
    return buffer.getvalue()


def error_norm(values: np.ndarray) -> LogNorm:
    """Return the logarithmic colour scale over all finite positive values of any shape.

    Rounded outward to 1, 2 or 5 times a power of ten, so that the bar ends on round numbers;
    1e-3 to 1 when there is no such value.
    """
    usable = values[np.isfinite(values) & (values > 0.0)]
    if usable.size == 0:
        return LogNorm(1e-3, 1.0)
    low, high = _round_down(float(usable.min())), _round_up(float(usable.max()))
    if not high > low:
        high = 2.0 * low
    return LogNorm(low, high)


def rate_norm() -> Normalize:
    """Return the linear colour scale of rates, 0 to 1."""
    return Normalize(0.0, 1.0)


def _round_down(value: float) -> float:
    decade = 10.0 ** np.floor(np.log10(value))
    # a hair of slack: 0.05 / 0.01 is 5.000000000000001 and 0.07 / 0.01 may fall short
    return float(decade * max(step for step in (1.0, 2.0, 5.0) if step <= value / decade * 1.001))


def _round_up(value: float) -> float:
    decade = 10.0 ** np.floor(np.log10(value))
    return float(
        decade * min(step for step in (1.0, 2.0, 5.0, 10.0) if step >= value / decade * 0.999)
    )


def ink_on(colour: tuple[float, float, float, float]) -> str:
    """Return black or white, whichever stands out more on `colour` (WCAG 2.1 contrast)."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colour[:3]]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    # contrast with white is 1.05 / (L + 0.05), with black (L + 0.05) / 0.05
    return "black" if (luminance + 0.05) ** 2 > 1.05 * 0.05 else "white"


def plain(value: float) -> str:
    """Return a number as short as it goes, with a true minus sign."""
    return f"{value:g}".replace("-", "−")


def number(value: float, digits: int = 2) -> str:
    """Return a positive number to one or two significant digits, with an exponent if it's long."""
    value = float(f"{value:.{digits - 1}e}")
    if not 1e-4 <= value < 1e4:
        mantissa, exponent = f"{value:.0e}".split("e")
        return f"{mantissa}e{int(exponent)}"
    return f"{value:.{max(0, digits - 1 - int(np.floor(np.log10(value))))}f}"


def percent(rate: float) -> str:
    """Return a rate as per cent, never rounded up to 100 or down to 0."""
    value = 100.0 * rate
    if value in (0.0, 100.0):
        return f"{value:.0f}"
    if 99.0 < value < 100.0:
        return f"{min(value, 99.9):.1f}"
    if value < 1.0:
        return f"{max(value, 0.1):.1f}"
    return f"{value:.0f}"
