"""A row of drawings to one scale, each above what the camera makes of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.patches import Circle, PathPatch
from matplotlib.path import Path

from bench.draw import style
from bench.draw.page_layout import LINE, POINT, Box, Page, wrap
from bench.imaging.picture import Picture
from bench.maps.contact_sheet import show_picture, zoom
from bench.targets.drawing import Area, Drawing
from bench.targets.target import Target

MOST_COLUMNS = 5
GAP = 0.15
SIDE = 1.35  # inches of the longest plate's longer side
LINE_HEIGHT = style.SMALL * LINE * POINT


@dataclass(frozen=True, eq=False)
class Exhibit:
    """A drawing and a picture of it.

    Attributes
    ----------
    target : Target
        The drawing.
    picture : Picture
        What the camera saw.
    """

    target: Target
    picture: Picture


class Showcase:
    """Exhibits laid out in rows, and the room that they take.

    Parameters
    ----------
    exhibits : sequence of Exhibit
        In order.
    width : float
        Of all, inches.
    """

    def __init__(self, exhibits: Sequence[Exhibit], width: float) -> None:
        self.exhibits = exhibits
        self.columns = min(len(exhibits), MOST_COLUMNS)
        self.slot = min((width + GAP) / self.columns - GAP, 2.4)
        self.scale = zoom([e.picture for e in exhibits], self.slot)
        self._names = [wrap(e.target.name, self.slot, style.SMALL) for e in exhibits]
        drawings = [e.target.drawing for e in exhibits]
        self._per_metre = SIDE / max(max(d.width, d.height) for d in drawings)
        self._name_height = max(map(len, self._names)) * LINE_HEIGHT + 0.05
        self._drawing_height = max(d.height for d in drawings) * self._per_metre
        rows = max(e.picture.grey.shape[0] for e in exhibits)
        picture_height = rows * float(self.scale) / style.DPI
        self._row = self._name_height + self._drawing_height + 0.1 + picture_height
        self.height = -(-len(exhibits) // self.columns) * (self._row + 0.15)

    def draw(self, page: Page, top: float) -> None:
        """Draw all exhibits, `top` inches below the body's top."""
        for index, exhibit in enumerate(self.exhibits):
            row, column = divmod(index, self.columns)
            left = column * (self.slot + GAP)
            y = top + row * (self._row + 0.15)
            for i, line in enumerate(self._names[index]):
                page.text(left, y + (i + 1) * LINE_HEIGHT - 0.04, line, fontsize=style.SMALL)
            y += self._name_height
            drawing = exhibit.target.drawing
            size = (drawing.width * self._per_metre, drawing.height * self._per_metre)
            draw_drawing(page.axes(Box(left, y, *size)), drawing)
            y += self._drawing_height + 0.1
            show_picture(page, left, y, exhibit.picture, self.scale)


def draw_drawing(axes: Axes, drawing: Drawing) -> None:
    """Draw a plate and what is on it in its own reflectances, filling the axes."""
    for shape in drawing.shapes:
        colour = str(shape.reflectance)
        if isinstance(shape, Area):
            # rings of holes run the other way round, which leaves them unpainted
            rings = Path.make_compound_path(*(Path([*r, r[0]], closed=True) for r in shape.rings))
            axes.add_patch(PathPatch(rings, facecolor=colour, linewidth=0.0))
        else:
            axes.add_patch(
                Circle((shape.x, shape.y), shape.radius, facecolor=colour, linewidth=0.0)
            )
    axes.set_xlim(-0.5 * drawing.width, 0.5 * drawing.width)
    axes.set_ylim(-0.5 * drawing.height, 0.5 * drawing.height)
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_color(style.FAINT)
