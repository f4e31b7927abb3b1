"""True-scale print sheets: where a target and what is said about it go on the paper."""

from __future__ import annotations

from bench.errors import TargetError
from bench.targets.annotation import (
    HAIRLINE,
    INCH_MM,
    QUIET,
    STRIP_HEIGHT,
    centre_marks,
    describe,
    plate_marks,
    scale_bars,
    text_block,
    up_mark,
)
from bench.targets.drawing import Area
from bench.targets.outline import rectangle
from bench.targets.page import Dot, Fill, Line, Mark, Page, Sheet, paper_size, paper_title
from bench.targets.target import Target
from bench.typing import Array

# What most office printers leave white at the edge (common practice, no source).
MARGIN = 5.0
HEAD = 8.0  # above the plate, for the up mark
GAP = 7.0  # between the plate and the strip of text, for marks
FIT_MARGIN = 10.0
# The scale bars and the longest line of text beside them.
STRIP_WIDTH = 4 * INCH_MM + 84.0
# PDF's user space ends at 14,400 points of 1/72 in (ISO 32000-1, annex C).
MAX_PAGE_MM = 5080.0
SCALE_CHECK = (
    "Print at 100 %, never fitted to the page; then measure the bar.",
    "If 100 mm measures 99.2 mm, every size is 0.992 of what is stated.",
)


def layout_sheet(target: Target, paper: str = "auto", *, grey: bool = False) -> Sheet:
    """Return the page on which a target prints to true scale.

    Parameters
    ----------
    target : Target
        What to print.
    paper : str
        A paper's name, see `bench.defaults.PAPERS`: upright, or across where only that takes
        the plate. ``"fit"`` is a page as large as the plate needs. ``"auto"`` is the first of A4,
        A3 and fit that takes the plate.
    grey : bool
        Print the drawing's reflectances as tones of grey instead of black and white.

    Raises
    ------
    TargetError
        Unknown paper, one too small for the plate, or a page larger than PDF allows.
    """
    plate = (1000.0 * target.drawing.width, 1000.0 * target.drawing.height)
    named = paper.lower() not in ("auto", "fit")
    for name in (paper,) if named else ("a4", "a3") if paper.lower() == "auto" else ():
        for size in _orientations(name):
            if _fits(plate, size):
                return _single(target, plate, size, paper_title(name), grey)
    if named:
        # pages joined by hand are off by some tenths of a millimetre at each seam, and not flat
        raise TargetError(
            f"a plate of {plate[0]:.6g} x {plate[1]:.6g} mm doesn't fit {paper_title(paper)}; "
            "take a larger page, or 'fit' and a print shop"
        )
    return _fitted(target, plate, grey)


def pattern_marks(
    target: Target, centre: tuple[float, float], *, grey: bool = False
) -> tuple[Fill | Dot, ...]:
    """Return the target's face with its origin at `centre` (mm) of a page.

    In black and white whatever reflects less than its surroundings is printed black, the rest
    is paper. In grey, a reflectance becomes the tone that sRGB (IEC 61966-2-1) gives it.
    """
    marks: list[Fill | Dot] = []
    for shape in target.drawing.shapes[0 if grey else 1 :]:  # the plate itself is paper
        tone = _srgb(shape.reflectance) if grey else float(shape.reflectance > shape.below)
        if isinstance(shape, Area):
            marks.append(Fill(tuple(1000.0 * ring + centre for ring in shape.rings), tone))
        else:
            x, y = 1000.0 * shape.x + centre[0], 1000.0 * shape.y + centre[1]
            marks.append(Dot(x, y, 1000.0 * shape.radius, tone))
    return tuple(marks)


def _srgb(linear: float) -> float:
    return 12.92 * linear if linear <= 0.0031308 else 1.055 * linear ** (1 / 2.4) - 0.055


def _orientations(paper: str) -> tuple[tuple[float, float], tuple[float, float]]:
    width, height = paper_size(paper)
    return (width, height), (height, width)


def _needed(plate: tuple[float, float]) -> tuple[float, float]:
    """Return the smallest page that takes the plate whole, without its margins."""
    return max(plate[0], STRIP_WIDTH), HEAD + plate[1] + GAP + STRIP_HEIGHT


def _fits(plate: tuple[float, float], size: tuple[float, float]) -> bool:
    # a micrometre for rounding: 0.2 m is not exactly 200 mm in floating point
    return all(n + 2 * MARGIN <= s + 1e-3 for n, s in zip(_needed(plate), size, strict=True))


def _fitted(target: Target, plate: tuple[float, float], grey: bool) -> Sheet:
    width, height = (n + 2 * FIT_MARGIN for n in _needed(plate))
    if max(width, height) > MAX_PAGE_MM:
        raise TargetError(
            f"a page of {width:.0f} x {height:.0f} mm is larger than PDF's {MAX_PAGE_MM:.0f} mm"
        )
    return _single(target, plate, (width, height), f"{width:.6g} x {height:.6g} mm", grey)


def _strip(target: Target, size: tuple[float, float], window: Array) -> tuple[Mark, ...]:
    """Return the strip at the foot of a page, as wide as the window if that is wide enough."""
    left = max(MARGIN, min(float(window[0, 0]), 0.5 * (size[0] - STRIP_WIDTH)))
    right, top = size[0] - left, MARGIN + STRIP_HEIGHT
    return (
        Line(left, top, right, top, HAIRLINE, QUIET),
        *scale_bars(left, top - 3.0),
        *text_block(right, top - 2.0, (target.name, *describe(target), *SCALE_CHECK)),
    )


def _window(size: tuple[float, float], width: float, height: float) -> Array:
    """Return a rectangle centred between the head and the strip of a page."""
    foot = MARGIN + STRIP_HEIGHT + GAP
    x = 0.5 * (size[0] - width)
    y = foot + 0.5 * (size[1] - foot - HEAD - MARGIN - height)
    return rectangle(x, y, x + width, y + height)


def _single(
    target: Target, plate: tuple[float, float], size: tuple[float, float], label: str, grey: bool
) -> Sheet:
    window = _window(size, *plate)
    x, y = 0.5 * (window[0] + window[2])
    marks = (
        *plate_marks(window),
        *centre_marks(window),
        *up_mark(x, window[2, 1] + 2.0),
        *_strip(target, size, window),
    )
    page = Page(*size, window, pattern_marks(target, (x, y), grey=grey), marks)
    return Sheet(target.name, label, (page,))
