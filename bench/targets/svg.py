"""Print sheets as SVG: one user unit is a millimetre, shapes are paths, text stays text."""

from __future__ import annotations

from xml.sax.saxutils import escape

from bench.targets.page import Dot, Fill, Line, Mark, Page, Text
from bench.typing import Array

FONTS = "DejaVu Sans, Verdana, Helvetica, Arial, sans-serif"


def page_svg(page: Page, title: str) -> str:
    """Return a page as an SVG document."""
    width, height = number(page.width), number(page.height)
    body = "\n".join(
        [
            '<clipPath id="window"><path d="'
            + _rings((page.window,), page.height)
            + '"/></clipPath>',
            f'<rect width="{width}" height="{height}" fill="#fff"/>',
            '<g clip-path="url(#window)">',
            *(_mark(mark, page.height) for mark in page.pattern),
            "</g>",
            f'<g font-family="{FONTS}">',
            *(_mark(mark, page.height) for mark in page.marks),
            "</g>",
        ]
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
        f'viewBox="0 0 {width} {height}">\n<title>{escape(title)}</title>\n{body}\n</svg>\n'
    )


def number(value: float) -> str:
    """Return a decimal to a nanometre of a millimetre scale, without trailing zeros."""
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _grey(tone: float) -> str:
    return "#" + 3 * f"{round(255 * tone):02x}"


def _rings(rings: tuple[Array, ...], height: float) -> str:
    return "".join(
        "M" + "L".join(f"{number(x)} {number(height - y)}" for x, y in ring) + "Z"
        for ring in rings
    )


def _mark(mark: Mark, height: float) -> str:
    match mark:
        case Fill():
            return f'<path fill="{_grey(mark.tone)}" d="{_rings(mark.rings, height)}"/>'
        case Dot():
            return (
                f'<circle fill="{_grey(mark.tone)}" cx="{number(mark.x)}" '
                f'cy="{number(height - mark.y)}" r="{number(mark.radius)}"/>'
            )
        case Line():
            return (
                f'<line stroke="{_grey(mark.tone)}" stroke-width="{number(mark.width)}" '
                f'x1="{number(mark.x0)}" y1="{number(height - mark.y0)}" '
                f'x2="{number(mark.x1)}" y2="{number(height - mark.y1)}"/>'
            )
        case Text():
            weight = ' font-weight="bold"' if mark.bold else ""
            return (
                f'<text fill="{_grey(mark.tone)}" font-size="{number(mark.size)}"{weight} '
                f'text-anchor="{mark.anchor}" x="{number(mark.x)}" '
                f'y="{number(height - mark.y)}">{escape(mark.text)}</text>'
            )
