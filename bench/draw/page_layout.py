"""Pages laid out in inches from measured type, so that nothing overlaps or is cut off.

A page is, from the top: title, subtitle, body, key, caption. The body is placed by whoever
draws it; everything else follows from its text.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.text import Text

from bench.draw import style

MARGIN = 0.15
NO_BREAK = "\u00a0"
KEY_SYMBOL = 0.5  # inches that a line of the key takes before its label
LINE = 1.35  # line height over type size
POINT = 1.0 / 72.0
_RENDERER = RendererAgg(1, 1, style.DPI)  # type: ignore[no-untyped-call]  # measures text


@dataclass(frozen=True)
class Box:
    """A rectangle in the body, inches from its top left corner."""

    left: float
    top: float
    width: float
    height: float

    def down(self, distance: float) -> Box:
        """Return the box moved down by `distance` inches."""
        return Box(self.left, self.top + distance, self.width, self.height)


@cache
def text_width(text: str, size: float, weight: str = "normal") -> float:
    """Return the width of one line of text, inches."""
    font = FontProperties(family=style.FAMILY, size=size, weight=weight)
    width, _, _ = _RENDERER.get_text_width_height_descent(text, font, ismath=False)  # type: ignore[no-untyped-call]
    return float(width) / style.DPI


def wrap(text: str, width: float, size: float, weight: str = "normal") -> list[str]:
    """Break text into lines of at most `width` inches; a word too long alone is cut."""
    lines: list[str] = []
    for paragraph in text.split("\n"):
        line = ""
        for word in paragraph.split(" "):
            longer = f"{line} {word}" if line else word
            if text_width(longer, size, weight) <= width:
                line = longer
                continue
            if line:
                lines.append(line)
            *pieces, line = _cut(word, width, size, weight)
            lines += pieces
        lines.append(line)
    return lines


def _cut(word: str, width: float, size: float, weight: str) -> list[str]:
    """Cut a word into pieces of at most `width` inches, of one letter at least."""
    if text_width(word, size, weight) <= width or len(word) == 1:
        return [word]
    fits = max(_most(len(word), lambda n: text_width(word[:n], size, weight) <= width), 1)
    return [word[:fits], *_cut(word[fits:], width, size, weight)]


def shorten(text: str, width: float, size: float, weight: str = "normal") -> str:
    """Return text cut in the middle to at most `width` inches, with an ellipsis."""
    if text_width(text, size, weight) <= width:
        return text

    def cut(keep: int) -> str:
        return f"{text[: (keep + 1) // 2]}…{text[len(text) - keep // 2 :]}"

    return cut(_most(len(text), lambda keep: text_width(cut(keep), size, weight) <= width))


def _most(limit: int, fits: Callable[[int], bool]) -> int:
    """Return the largest number below `limit` that fits, 0 if none; what fits, fits smaller."""
    return bisect_left(range(1, limit), True, key=lambda n: not fits(n))


def _key(figure: Figure, handles: Sequence[Artist], columns: int, x: float, y: float) -> Artist:
    return figure.legend(
        handles=list(handles),
        loc="upper left",
        bbox_to_anchor=(x, y),
        ncols=columns,
        frameon=False,
        borderpad=0.0,
        borderaxespad=0.0,
        handlelength=2.6,
        columnspacing=1.6,
        labelspacing=0.45,
    )


def _key_layout(handles: Sequence[Artist], width: float) -> tuple[int, float]:
    """Return the most columns that a key of these handles fits in, and its height, inches.

    A label too long for a line of its own is shortened.
    """
    if not handles:
        return 1, 0.0
    for handle in handles:
        handle.set_label(shorten(str(handle.get_label()), width - KEY_SYMBOL, style.SMALL))
    height = 0.0
    for columns in range(min(len(handles), 6), 0, -1):
        figure = style.new_figure(width, 1.0)
        extent = _key(figure, handles, columns, 0.0, 1.0).get_window_extent()
        height = float(extent.height) / style.DPI
        if extent.width / style.DPI <= width:
            return columns, height
    return 1, height


class Page:
    """A figure with title, subtitle, key and caption set, and an empty body to draw in.

    Parameters
    ----------
    title, subtitle, caption : str
        Wrapped to the page's width; the subtitle may be empty.
    body_height : float
        Inches.
    handles : sequence of Artist
        Entries of the key, each with its label; may be empty.
    width : float
        Of the page, inches.
    dpi : float
        Dots an inch.
    """

    def __init__(
        self,
        title: str,
        subtitle: str,
        caption: str,
        body_height: float,
        handles: Sequence[Artist] = (),
        width: float = style.WIDTH,
        dpi: float = style.DPI,
    ) -> None:
        inner = width - 2.0 * MARGIN
        self.width, self.body_width = width, inner
        blocks = [
            (wrap(title, inner * 0.85, style.LARGE), style.LARGE, style.INK),
            (wrap(subtitle, inner, style.NORMAL) if subtitle else [], style.NORMAL, style.MUTED),
        ]
        footer = wrap(caption, inner, style.SMALL) if caption else []
        columns, key_height = _key_layout(handles, inner)

        def block_height(lines: list[str], size: float) -> float:
            return len(lines) * size * LINE * POINT

        head = MARGIN + sum(block_height(lines, size) for lines, size, _ in blocks) + 0.08
        foot = (key_height + 0.12 if handles else 0.0) + block_height(footer, style.SMALL) + MARGIN
        # whole dots, so that pictures can be placed dot for dot
        self.height = math.ceil((head + body_height + foot) * dpi) / dpi
        self._head = head
        self.figure = style.new_figure(width, self.height, dpi)

        y = MARGIN
        for lines, size, colour in blocks:
            weight = "bold" if size == style.LARGE else "normal"
            y = self._lines(lines, y, size, colour, weight)
        y = head + body_height
        if handles:
            _key(self.figure, handles, columns, MARGIN / width, 1.0 - y / self.height)
            y += key_height + 0.12
        self._lines(footer, y, style.SMALL, style.MUTED, "normal")

    def _lines(self, lines: list[str], y: float, size: float, colour: str, weight: str) -> float:
        for line in lines:
            y += size * LINE * POINT
            self.figure.text(
                MARGIN / self.width,
                1.0 - (y - 0.3 * size * POINT) / self.height,
                line,
                fontsize=size,
                color=colour,
                fontweight=weight,
                va="baseline",
            )
        return y

    def axes(self, box: Box) -> Axes:
        """Add axes over a box of the body."""
        return self.figure.add_axes(
            (
                (MARGIN + box.left) / self.width,
                1.0 - (self._head + box.top + box.height) / self.height,
                box.width / self.width,
                box.height / self.height,
            )
        )

    def text(self, left: float, top: float, text: str, **kwargs: Any) -> Text:
        """Add text at a place in the body, inches from its top left corner."""
        return self.figure.text(
            (MARGIN + left) / self.width, 1.0 - (self._head + top) / self.height, text, **kwargs
        )


def snap(axes: Axes, shape: tuple[int, ...]) -> None:
    """Move axes to whole dots of the figure and give them exactly `shape` rows and columns."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    page = figure.bbox
    box = axes.get_position()
    x0, y0 = round(box.x0 * page.width), round(box.y0 * page.height)
    axes.set_position(
        (x0 / page.width, y0 / page.height, shape[1] / page.width, shape[0] / page.height)
    )


@dataclass(frozen=True)
class PanelGrid:
    """Panels of equal size, row by row from the top left.

    Attributes
    ----------
    count, columns : int
        Panels in all, and in a row.
    width : float
        Of all columns together, inches.
    panel_height : float
        Of one panel's axes, inches.
    left, gap, head, foot, label : float
        Room left of each panel for its ticks and labels (the first has `left`, the others
        `gap`), above it for its title, below it for its ticks, below the last row for labels.
    """

    count: int
    columns: int
    width: float
    panel_height: float
    left: float = 0.55
    gap: float = 0.45
    head: float = 0.3
    foot: float = 0.3
    label: float = 0.25

    @property
    def rows(self) -> int:
        """Rows of panels."""
        return -(-self.count // self.columns)

    @property
    def height(self) -> float:
        """Height of the whole grid, inches."""
        return self.rows * (self.head + self.panel_height + self.foot) + self.label

    @property
    def panel_width(self) -> float:
        """Width of one panel's axes, inches."""
        return (self.width - self.left - (self.columns - 1) * self.gap) / self.columns

    def box(self, index: int) -> Box:
        """Return where panel `index` lies."""
        row, column = divmod(index, self.columns)
        return Box(
            self.left + column * (self.panel_width + self.gap),
            row * (self.head + self.panel_height + self.foot) + self.head,
            self.panel_width,
            self.panel_height,
        )

    def is_first_column(self, index: int) -> bool:
        """Tell whether a panel starts a row."""
        return index % self.columns == 0

    def is_lowest(self, index: int) -> bool:
        """Tell whether a panel has none below it."""
        return index + self.columns >= self.count


def title_lines(text: str, width: float) -> list[str]:
    """Return a panel's title as one line or, broken after a slash, two, cut to `width` inches."""
    parts = [text]
    if text_width(text, style.NORMAL, "bold") > width and "/" in text:
        before, _, after = text.partition("/")
        parts = [before + "/", after]
    return [shorten(part, width, style.NORMAL, "bold") for part in parts]


def panel_title(axes: Axes, *lines: str) -> None:
    """Set a panel's title, left-aligned."""
    axes.set_title("\n".join(lines), loc="left", fontweight="bold", pad=5)
