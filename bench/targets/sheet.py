"""True-scale print sheets: where a target and what is said about it go on the paper."""

from __future__ import annotations

import math

from bench.errors import TargetError
from bench.targets.annotation import (
    HAIRLINE,
    INCH_MM,
    QUIET,
    STRIP_HEIGHT,
    centre_marks,
    cross,
    describe,
    plate_marks,
    scale_bars,
    text_block,
    up_mark,
)
from bench.targets.drawing import Area
from bench.targets.outline import rectangle
from bench.targets.page import Dot, Fill, Line, Mark, Page, Sheet, paper_size
from bench.targets.target import Target
from bench.typing import Array

# What most office printers leave white at the edge (common practice, no source).
MARGIN = 5.0
HEAD = 8.0  # above the plate, for the up mark
GAP = 7.0  # between the plate and the strip of text, for marks
GUTTER = 7.0  # beside a tile, for alignment crosses
OVERLAP = 8.0  # how far neighbouring tiles repeat each other beyond the seam
CROSS_OFFSET = 3.5
FIT_MARGIN = 10.0
# The scale bars and the longest line of text beside them.
STRIP_WIDTH = 4 * INCH_MM + 84.0
MAX_PAGES = 64
# PDF's user space ends at 14,400 points of 1/72 in (ISO 32000-1, annex C).
MAX_PAGE_MM = 5080.0
SCALE_CHECK = (
    "Print at 100 %, never fitted to the page; then measure the bar.",
    "If 100 mm measures 99.2 mm, every size is 0.992 of what is stated.",
)


def layout_sheet(target: Target, paper: str = "auto", *, grey: bool = False) -> Sheet:
    """Return the pages on which a target prints to true scale.

    Parameters
    ----------
    target : Target
        What to print.
    paper : str
        A paper's name, see `bench.targets.page.PAPERS`: upright or across, whichever takes
        fewer pages, and several pages with alignment crosses if one is too small. ``"fit"``
        is one page as large as the plate needs. ``"auto"`` is the first of A4, A3 and fit
        that takes the plate in one page.
    grey : bool
        Print the drawing's reflectances as tones of grey instead of black and white.

    Raises
    ------
    TargetError
        Unknown paper, too many pages, or a page larger than PDF allows.
    """
    plate = (1000.0 * target.drawing.width, 1000.0 * target.drawing.height)
    if paper.lower() == "fit":
        return _fitted(target, plate, grey)
    if paper.lower() == "auto":
        for name in ("a4", "a3"):
            for size in _orientations(name):
                if _fits(plate, size):
                    return _single(target, plate, size, name.upper(), grey)
        return _fitted(target, plate, grey)
    label = paper.upper() if paper[:1].lower() == "a" else paper.capitalize()
    for size in _orientations(paper):
        if _fits(plate, size):
            return _single(target, plate, size, label, grey)
    return _tiled(target, plate, paper, label, grey)


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
            f"a page of {width:.0f} x {height:.0f} mm is larger than PDF's {MAX_PAGE_MM:.0f} mm; "
            "name a page size to spread the target over several pages"
        )
    return _single(target, plate, (width, height), f"{width:.6g} x {height:.6g} mm", grey)


def _strip(
    target: Target, size: tuple[float, float], window: Array, instructions: tuple[str, str]
) -> tuple[Mark, ...]:
    """Return the strip at the foot of a page, as wide as the window if that is wide enough."""
    left = max(MARGIN, min(float(window[0, 0]), 0.5 * (size[0] - STRIP_WIDTH)))
    right, top = size[0] - left, MARGIN + STRIP_HEIGHT
    return (
        Line(left, top, right, top, HAIRLINE, QUIET),
        *scale_bars(left, top - 3.0),
        *text_block(right, top - 2.0, (target.name, *describe(target), *instructions)),
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
        *plate_marks(window, (True, True, True, True)),
        *centre_marks(window),
        *up_mark(x, window[2, 1] + 2.0),
        *_strip(target, size, window, SCALE_CHECK),
    )
    page = Page(*size, window, pattern_marks(target, (x, y), grey=grey), marks)
    return Sheet(target.name, label, (page,))


def _tile_count(length: float, available: float) -> int:
    """Return how many equal parts of a length, each with its overlaps, fit the available one."""
    if length <= available + 1e-3:
        return 1
    if length / 2 + OVERLAP <= available:
        return 2
    return math.ceil(length / (available - 2 * OVERLAP))


def _tiled(
    target: Target, plate: tuple[float, float], paper: str, label: str, grey: bool
) -> Sheet:
    foot = MARGIN + STRIP_HEIGHT + GAP
    best: tuple[int, int, tuple[float, float]] | None = None
    for size in _orientations(paper):
        columns = _tile_count(plate[0], size[0] - 2 * (MARGIN + GUTTER))
        rows = _tile_count(plate[1], size[1] - foot - HEAD - MARGIN)
        if best is None or columns * rows < best[0] * best[1]:
            best = columns, rows, size
    assert best is not None
    columns, rows, size = best
    if columns * rows > MAX_PAGES:
        raise TargetError(
            f"a plate of {plate[0]:.6g} x {plate[1]:.6g} mm would take {columns * rows} pages of "
            f"{label}, the most is {MAX_PAGES}; take a larger page, or 'fit'"
        )
    pages = tuple(
        _tile(target, plate, size, (columns, rows), (column, row), grey)
        for row in range(rows)
        for column in range(columns)
    )
    return Sheet(target.name, label, pages, columns, rows)


def _tile(
    target: Target,
    plate: tuple[float, float],
    size: tuple[float, float],
    count: tuple[int, int],
    place: tuple[int, int],
    grey: bool,
) -> Page:
    """Return one page of several; seams divide the plate in equal parts.

    A cross marks each end of a seam just outside the window. Both neighbours carry it at the
    same place of the plate, so that it meets its twin when they are laid over each other.
    """
    (columns, rows), (column, row) = count, place
    has_left, has_right, has_above, has_below = (
        column > 0,
        column < columns - 1,
        row > 0,
        row < rows - 1,
    )
    part = plate[0] / columns, plate[1] / rows
    window = _window(
        size,
        part[0] + OVERLAP * (has_left + has_right),
        part[1] + OVERLAP * (has_above + has_below),
    )
    (x0, y0), (x1, y1) = window[0], window[2]
    seams_x = [x for x, has in ((x0 + OVERLAP, has_left), (x1 - OVERLAP, has_right)) if has]
    seams_y = [y for y, has in ((y0 + OVERLAP, has_below), (y1 - OVERLAP, has_above)) if has]
    ends = [(x, y) for x in seams_x for y in (y0 - CROSS_OFFSET, y1 + CROSS_OFFSET)]
    ends += [(x, y) for y in seams_y for x in (x0 - CROSS_OFFSET, x1 + CROSS_OFFSET)]
    number = row * columns + column + 1
    instructions = (
        f"Page {number} of {columns * rows}: column {column + 1}, row {row + 1}. "
        "Print at 100 %, measure the bar.",
        _joining(has_left, has_above),
    )
    marks = (
        *(mark for end in ends for mark in cross(*end)),
        *plate_marks(window, (not has_below, not has_right, not has_above, not has_left)),
        *up_mark(0.5 * (x0 + x1), y1 + 2.0),
        *_strip(target, size, window, instructions),
    )
    # where the plate's top left corner lies on this page, or would
    left = x0 + OVERLAP * has_left - column * part[0]
    top = y1 - OVERLAP * has_above + row * part[1]
    centre = (left + 0.5 * plate[0], top - 0.5 * plate[1])
    return Page(*size, window, pattern_marks(target, centre, grey=grey), marks)


def _joining(has_left: bool, has_above: bool) -> str:
    """Return how to join a page to the earlier ones, which lie to its left and above it."""
    if not (has_left or has_above):
        return "The next pages lie over this one, cross on cross."
    where = " and ".join(side for side, has in (("left", has_left), ("top", has_above)) if has)
    return f"Cut at the crosses {where}; lay over the pages before, cross on cross."
