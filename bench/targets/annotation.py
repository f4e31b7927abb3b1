"""Annotation of a print sheet: scale bars, up mark, edges, the lines of text."""

from __future__ import annotations

import numpy as np

from bench.targets.drawing import Disc
from bench.targets.page import Fill, Line, Mark, Text, box, frame
from bench.targets.target import Target
from bench.typing import Array

INCH_MM = 25.4
BAR_HEIGHT = 1.6
HAIRLINE = 0.1
QUIET = 0.45  # tone of what is read once and not looked at again
LINE_SPACING = 3.5
STRIP_HEIGHT = 20.0


def scale_bars(x: float, y: float) -> tuple[Mark, ...]:
    """Return the bars of 100 mm and 4 in, their top left corner at (x, y).

    Outer edges are exact: from the left edge of a bar to its right edge are 100 mm and
    101.6 mm. Every second division is filled.
    """
    metric = _bar(x, y, 10.0, 10, 5.0, {0: "0", 5: "50", 10: "100 mm"})
    inches = {i: str(i // 2) for i in (0, 2, 4, 6)} | {8: "4 in"}
    return metric + _bar(x, y - 8.5, 0.5 * INCH_MM, 8, 0.25 * INCH_MM, inches)


def _bar(
    x: float, y: float, division: float, count: int, tick: float, labels: dict[int, str]
) -> tuple[Mark, ...]:
    low = y - BAR_HEIGHT
    marks: list[Mark] = []
    for i in range(count):
        left, right = x + i * division, x + (i + 1) * division
        filled = i % 2 == 0
        marks.append(
            box(left, low, right, y) if filled else frame(left, low, right, y, 1.5 * HAIRLINE)
        )
    for i in range(round(count * division / tick) + 1):
        at, whole = x + i * tick, (i * tick / division) % 1.0 == 0.0
        marks.append(Line(at, low, at, low - (1.0 if whole else 0.6), HAIRLINE))
    for i, label in labels.items():
        marks.append(Text(x + i * division, low - 3.4, label, 2.1, "middle"))
    return tuple(marks)


def up_mark(x: float, y: float) -> tuple[Mark, ...]:
    """Return the mark that points to the target's top, its base's middle at (x, y)."""
    triangle = np.array([[x - 1.7, y], [x + 1.7, y], [x, y + 3.0]])
    return (
        Fill((triangle,)),
        Text(x + 3.0, y + 0.3, "up", bold=True),
        Text(x + 7.2, y + 0.3, "mark it on the back before cutting", tone=QUIET),
    )


def plate_marks(window: Array) -> tuple[Mark, ...]:
    """Return hairlines to cut along, just outside a plate's edges (4, 2) from bottom left."""
    half = 0.5 * HAIRLINE
    (x0, y0), (x1, y1) = window[0] - half, window[2] + half
    return (
        Line(x0 - half, y0, x1 + half, y0, HAIRLINE, QUIET),
        Line(x1, y0 - half, x1, y1 + half, HAIRLINE, QUIET),
        Line(x0 - half, y1, x1 + half, y1, HAIRLINE, QUIET),
        Line(x0, y0 - half, x0, y1 + half, HAIRLINE, QUIET),
    )


def centre_marks(window: Array) -> tuple[Mark, ...]:
    """Return ticks outside a plate at the middle of its left, right and bottom sides."""
    (left, bottom), (right, top) = window[0], window[2]
    x, y = 0.5 * (left + right), 0.5 * (bottom + top)
    near, far = 1.2, 4.2
    return (
        Line(left - far, y, left - near, y),
        Line(right + near, y, right + far, y),
        Line(x, bottom - far, x, bottom - near),
    )


def text_block(x: float, top: float, lines: tuple[str, ...]) -> tuple[Mark, ...]:
    """Return lines of text that end at x, the first of them the title."""
    title, *rest = lines
    block: list[Mark] = [Text(x, top - 2.6, title.replace(" x ", " × "), 3.2, "end", bold=True)]
    block += [
        Text(x, top - 7.2 - i * LINE_SPACING, line, anchor="end") for i, line in enumerate(rest)
    ]
    return tuple(block)


def _mm(metres: float) -> str:
    """Return millimetres to a hundredth, finer than any print, without trailing zeros."""
    return f"{1000.0 * metres:.2f}".rstrip("0").rstrip(".")


def describe(target: Target) -> tuple[str, str]:
    """Return two lines that say what a target is and how large it is."""
    columns, rows = target.layout
    ids = sorted(target.markers)
    which = f"id {ids[0]}" if len(ids) == 1 else f"ids {ids[0]} to {ids[-1]}" if ids else ""
    pitch, size = _mm(target.pitch), _mm(target.marker_size)
    square = "black square"
    if target.reach:
        whole = _mm(target.marker_size + 2.0 * target.reach)
        square, size = "square between corners", f"{size} of {whole}"
    match target.kind:
        case "marker":
            what, sizes = which, f"{square} {size} mm"
        case "grid":
            what = f"{columns} × {rows} markers, {which}"
            sizes = f"{square.replace('square', 'squares')} {size} mm, pitch {pitch} mm"
        case "charuco":
            what = f"{columns} × {rows} squares, {which}"
            sizes = f"squares {pitch} mm, markers {size} mm"
        case "circles":
            wide = _mm(2.0 * target.pitch)
            what = f"rows {pitch} mm apart, circles in a row {wide} mm"
            if target.symmetric:
                what = f"pitch {pitch} mm"
            disc = next(s for s in target.drawing.shapes if isinstance(s, Disc))
            sizes = f"diameter {_mm(2.0 * disc.radius)} mm"
        case "bitmap":
            what = f"{columns} × {rows} pixels"
            wide, high = (_mm(n * target.pitch) for n in target.layout)
            sizes = f"picture {wide} × {high} mm"
        case _:
            what, sizes = f"{columns} × {rows} squares", f"squares {pitch} mm"
    if target.dictionary is not None:
        what = f"{target.dictionary}, {what}"
    plate = f"plate {_mm(target.drawing.width)} × {_mm(target.drawing.height)} mm"
    return what, f"{sizes}, {plate}"
