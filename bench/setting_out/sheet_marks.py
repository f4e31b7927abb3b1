"""Pieces of a siting sheet: views to scale, dashed lines, dimensions, tables, the scale bar.

All in millimetres of paper, y up, as `bench.targets.page` has them; black and greys alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bench.draw.page_layout import shorten, text_width, wrap
from bench.targets.annotation import HAIRLINE, INCH_MM, QUIET
from bench.targets.page import Line, Mark, Text, box
from bench.units import format_length

POINTS_PER_MM = 72.0 / INCH_MM
BODY, SMALL, HEADING, TITLE = 2.5, 2.1, 3.1, 5.0
FINE, THIN, THICK = HAIRLINE, 0.18, 0.35
# Reductions 1 : n, round enough to read a length off with any ruler.
SCALES = (1, 2, 5, 10, 15, 20, 25, 30, 40, 50, 60, 75, 100, 125, 150, 200, 250, 500)
# Lengths of dashes and gaps, mm: a long dash and a dot for centre lines, as drawings have them.
CENTRE_LINE = (5.0, 1.0, 0.6, 1.0)
DASHED = (1.6, 1.0)
PAD = 1.0  # between a dimension's line and its text
FINER = 10.0  # how much larger type is measured: screens' hinting stretches small type
ROW = 4.6  # of a table
BENEATH = 1.9  # type of a cell's second line
WRITE_ROW = 6.3  # of a table with room to write: two lines clear of the rule beneath


def width_of(text: str, size: float, bold: bool = False) -> float:
    """Return the width of a text, mm."""
    weight = "bold" if bold else "normal"
    return INCH_MM * text_width(text, FINER * size * POINTS_PER_MM, weight) / FINER


def fitted(text: str, width: float, size: float, bold: bool = False) -> str:
    """Return a text cut in the middle to a width, mm."""
    weight = "bold" if bold else "normal"
    return shorten(text, FINER * width / INCH_MM, FINER * size * POINTS_PER_MM, weight)


def wrapped(text: str, width: float, size: float) -> list[str]:
    """Return a text in lines of at most a width, mm."""
    return wrap(text, FINER * width / INCH_MM, FINER * size * POINTS_PER_MM)


@dataclass(frozen=True)
class Frame:
    """A rectangle of the page, mm."""

    left: float
    bottom: float
    right: float
    top: float

    @property
    def width(self) -> float:
        """Millimetres."""
        return self.right - self.left

    @property
    def height(self) -> float:
        """Millimetres."""
        return self.top - self.bottom

    @property
    def corners(self) -> list[tuple[float, float]]:
        """From the lower left, anticlockwise."""
        left, bottom, right, top = self.left, self.bottom, self.right, self.top
        return [(left, bottom), (right, bottom), (right, top), (left, top)]


def closed(
    points: Sequence[tuple[float, float]], width: float = THIN, tone: float = 0.0
) -> tuple[Mark, ...]:
    """Return the closed line through points of the page, mm."""
    ends = [*points[1:], points[0]]
    return tuple(Line(*a, *b, width, tone) for a, b in zip(points, ends, strict=True))


@dataclass(frozen=True)
class View:
    """A drawing to scale: where a point of the model, metres, lies on the page.

    Attributes
    ----------
    scale : int
        1 : scale.
    origin : (float, float)
        Of the model's (0, 0), mm on the page.
    axes : ((float, float), (float, float))
        Where the model's first and second axis point on the page.
    """

    scale: int
    origin: tuple[float, float]
    axes: tuple[tuple[float, float], tuple[float, float]] = ((1.0, 0.0), (0.0, 1.0))

    def at(self, a: float, b: float) -> tuple[float, float]:
        """Return the place of a model point, mm."""
        k = 1000.0 / self.scale
        (ax, ay), (bx, by) = self.axes
        return (
            self.origin[0] + k * (a * ax + b * bx),
            self.origin[1] + k * (a * ay + b * by),
        )

    def line(
        self,
        start: tuple[float, float],
        end: tuple[float, float],
        width: float = THIN,
        tone: float = 0.0,
    ) -> Line:
        """Return a line between two model points."""
        return Line(*self.at(*start), *self.at(*end), width, tone)

    def outline(
        self, points: Sequence[tuple[float, float]], width: float = THIN, tone: float = 0.0
    ) -> tuple[Mark, ...]:
        """Return the closed line through model points."""
        return closed([self.at(*point) for point in points], width, tone)


def scale_for(width: float, height: float, frame: tuple[float, float]) -> int:
    """Return the largest scale, as the n of 1 : n, at which a model fits a frame.

    Parameters
    ----------
    width, height : float
        Of the model, metres.
    frame : (float, float)
        Width and height of the paper left for it, mm.
    """
    for scale in SCALES:
        if 1000.0 * width / scale <= frame[0] and 1000.0 * height / scale <= frame[1]:
            return scale
    needed = max(1000.0 * width / frame[0], 1000.0 * height / frame[1])
    return 100 * math.ceil(needed / 100.0)


def dashed(
    x0: float,
    y0: float,
    x1: float,
    y1: float,
    pattern: Sequence[float],
    width: float = THIN,
    tone: float = 0.0,
) -> tuple[Mark, ...]:
    """Return a dashed line: dash, gap, dash, gap ... of `pattern`, mm, ending on a dash or gap."""
    length = math.hypot(x1 - x0, y1 - y0)
    if length == 0.0:
        return ()
    ux, uy = (x1 - x0) / length, (y1 - y0) / length
    marks: list[Mark] = []
    at, index = 0.0, 0
    while at < length:
        end = min(at + pattern[index % len(pattern)], length)
        if index % 2 == 0:
            marks.append(
                Line(x0 + at * ux, y0 + at * uy, x0 + end * ux, y0 + end * uy, width, tone)
            )
        at, index = end, index + 1
    return tuple(marks)


def tick(x: float, y: float) -> Line:
    """Return the oblique stroke that ends a dimension line."""
    return Line(x - 0.7, y - 0.7, x + 0.7, y + 0.7, THIN)


def across_dimension(a: float, b: float, level: float, text: str) -> tuple[Mark, ...]:
    """Return a level dimension line at a height, from x = a to x = b, mm.

    The line is broken for its text, which goes beneath where it doesn't fit.
    """
    left, right = sorted((a, b))
    middle, half = 0.5 * (left + right), 0.5 * width_of(text, SMALL) + PAD
    ends: tuple[Mark, ...] = (tick(left, level), tick(right, level))
    if right - left < 2.0 * half + 3.0:
        words = Text(middle, level - 1.4 * SMALL, text, SMALL, "middle")
        return (Line(left, level, right, level, FINE), *ends, words)
    return (
        Line(left, level, middle - half, level, FINE),
        Line(middle + half, level, right, level, FINE),
        *ends,
        Text(middle, level - 0.35 * SMALL, text, SMALL, "middle"),
    )


def down_dimension(
    x: float, a: float, b: float, lines: Sequence[str], anchor: str
) -> tuple[Mark, ...]:
    """Return an upright dimension line at x from height a to b, mm, its texts beside it."""
    low, high = sorted((a, b))
    shift = {"start": 1.6, "end": -1.6}[anchor]
    top = 0.5 * (low + high) + 0.65 * SMALL * (len(lines) - 1) - 0.35 * SMALL
    return (
        Line(x, low, x, high, FINE),
        tick(x, low),
        tick(x, high),
        *(
            Text(x + shift, top - 1.3 * SMALL * i, line, SMALL, anchor)
            for i, line in enumerate(lines)
        ),
    )


@dataclass(frozen=True)
class Column:
    """A table's column.

    Attributes
    ----------
    head : str
        Over it.
    width : float
        Millimetres.
    anchor : str
        Where its texts start or end.
    blank : bool
        Whether it is room to write: a line to write on, with the cell's text in small beneath.
    """

    head: str
    width: float
    anchor: str = "start"
    blank: bool = False


def table(
    left: float, top: float, columns: Sequence[Column], rows: Sequence[Sequence[str]]
) -> tuple[tuple[Mark, ...], float]:
    """Return a table's marks and the height of its bottom, mm.

    Texts that are too wide are cut in the middle; a second line is small, beneath. Cells of a
    blank column hold the key under which a measured value goes into the as-built file; an empty
    one takes none.
    """
    marks: list[Mark] = []
    right = left + sum(column.width for column in columns)
    height = WRITE_ROW if any(column.blank for column in columns) else ROW
    y = top - ROW
    marks += _cells(left, y + 1.3, columns, [c.head for c in columns], bold=True)
    marks.append(Line(left, y, right, y, THIN))
    for row in rows:
        y -= height
        marks += _cells(left, y + 0.5 * (height - BODY) + 0.2, columns, row, bold=False)
        marks += _blanks(left, y, height, columns, row)
        marks.append(Line(left, y, right, y, FINE, QUIET))
    return tuple(marks), y


def _cells(
    left: float, y: float, columns: Sequence[Column], texts: Sequence[str], bold: bool
) -> list[Mark]:
    marks: list[Mark] = []
    for column, text in zip(columns, texts, strict=True):
        if text and (bold or not column.blank):
            first, _, second = text.partition("\n")
            width, size = column.width - 1.6, SMALL if bold else BODY
            x = left + (column.width - 0.8 if column.anchor == "end" else 0.8)
            rise = 0.95 if second else 0.0
            shown = fitted(first, width, size, bold)
            marks.append(Text(x, y + rise, shown, size, column.anchor, bold))
            if second:
                beneath = fitted(second, width, BENEATH)
                marks.append(Text(x, y - 1.2, beneath, BENEATH, column.anchor, tone=QUIET))
        left += column.width
    return marks


def _blanks(
    left: float, y: float, height: float, columns: Sequence[Column], texts: Sequence[str]
) -> list[Mark]:
    marks: list[Mark] = []
    for column, text in zip(columns, texts, strict=True):
        if column.blank and text:
            key = fitted(text, 0.62 * column.width, 1.7)
            marks.append(Text(left + column.width - 0.6, y + 0.7, key, 1.7, "end", tone=QUIET))
            marks.append(Line(left + 0.4, y, left + 0.4, y + height, FINE, QUIET))
        left += column.width
    return marks


def scale_bar(x: float, y: float, scale: int, least: float) -> tuple[Mark, ...]:
    """Return a bar of round lengths of the drawing, its left end at (x, y), mm.

    Parameters
    ----------
    scale : int
        Of the drawing, 1 : scale.
    least : float
        The bar is the first of 1, 2, 5, 10 ... times 0.1 m that is at least this long, mm.
    """
    unit = 1000.0 / scale
    lengths = [m * 10.0**e for e in range(-2, 3) for m in (1.0, 2.0, 5.0)]
    length = next((m for m in lengths if m * unit >= least), lengths[-1])
    part = 0.25 * length * unit
    marks: list[Mark] = []
    for i in range(4):
        tone = 0.0 if i % 2 == 0 else 1.0
        marks.append(box(x + i * part, y, x + (i + 1) * part, y + 1.2, tone))
    end = x + 4 * part
    marks += [Line(x, y, end, y, FINE), Line(x, y + 1.2, end, y + 1.2, FINE)]
    marks.append(Line(end, y, end, y + 1.2, FINE))
    words = f"{length:g} m at 1 : {scale}"
    marks.append(Text(end + 1.2, y - 0.2, words, SMALL))
    return tuple(marks)


def millimetres(metres: float) -> str:
    """Return whole millimetres with a true minus sign, as a tape shows them."""
    return f"{round(1000.0 * metres):d}".replace("-", "−")


def allowed_inches(metres: float) -> str:
    """Return a positive allowance in feet and inches, rounded down to a sixteenth."""
    sixteenth = INCH_MM / 16000.0
    # a hair more, or 1/16 in / (1/16 in) could fall short of 1
    text = feet_inches(math.floor(metres / sixteenth * (1.0 + 1e-12)) * sixteenth)
    return text.removeprefix("0 ") if "/" in text else text


def feet_inches(metres: float) -> str:
    """Return feet and inches to a sixteenth, with a true minus sign; inches alone under a foot."""
    text = format_length(metres, "ft-in").replace("-", "−")
    return text.replace("−0 ft ", "−").removeprefix("0 ft ")


def degrees(radians: float) -> str:
    """Return degrees to a hundredth, with a true minus sign."""
    value = round(math.degrees(radians), 2)
    return f"{0.0 if value == 0.0 else value:.2f}°".replace("-", "−")
