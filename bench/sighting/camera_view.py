"""A tower's picture with names on it: each target outlined, and how much of it is seen."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from matplotlib.patheffects import withStroke

from bench.draw import style
from bench.draw.page_layout import Box, Page
from bench.imaging.picture import Picture
from bench.sighting.view_table import Seen, verdict

SEEN, LACKING = "#56B4E9", "#E69F00"  # Okabe and Ito; both stand out on dark greys
TALLEST = 8.5  # inches


def camera_view_figure(picture: Picture, seen: Sequence[Seen], title: str, note: str) -> Figure:
    """Draw a picture with its targets named.

    Parameters
    ----------
    picture : Picture
        A whole frame.
    seen : sequence of Seen
        The views of one tower, of one vehicle at one station.
    title, note : str
        Heading and end of the caption.
    """
    rows, columns = picture.grey.shape
    width = style.WIDTH - 0.3
    height = width * rows / columns
    if height > TALLEST:
        width, height = width * TALLEST / height, TALLEST
    page = Page(title, verdict(seen, "on this tower's side"), note, height)
    axes = page.axes(Box(0.5 * (page.body_width - width), 0.0, width, height))
    dots = round(width * style.DPI)
    small = cv2.resize(
        picture.grey, (dots, round(height * style.DPI)), interpolation=cv2.INTER_AREA
    )
    edges = (-0.5, columns - 0.5, rows - 0.5, -0.5)
    axes.imshow(small, cmap="gray", vmin=0, vmax=picture.full_scale, extent=edges)
    axes.set(xlim=edges[:2], ylim=edges[2:], xticks=[], yticks=[])
    for one in seen:
        if one.outline_px is None:
            continue
        colour = SEEN if one.enough else LACKING
        line = "-" if one.enough else "--"
        axes.add_patch(
            Polygon(one.outline_px, closed=True, fill=False, edgecolor=colour, lw=1.6, ls=line)
        )
        _label(one, axes, columns, rows)
    return page.figure


def _label(one: Seen, axes: object, columns: int, rows: int) -> None:
    """Write a target's name beneath its outline, or above where the picture ends."""
    assert one.outline_px is not None
    low, high = one.outline_px.min(axis=0), one.outline_px.max(axis=0)
    x = float(np.clip(0.5 * (low[0] + high[0]), 0.10 * columns, 0.90 * columns))
    under = high[1] < 0.9 * rows
    y = float(np.clip(high[1] + 0.008 * rows if under else low[1] - 0.008 * rows, 0, rows))
    own = "" if one.marker_id is None else f", id {one.marker_id}"
    words = f"{one.wheel.name}{own}\n{style.percent(one.visibility.fraction)} % visible"
    if not one.in_picture:
        words += "\nnot wholly in the picture"
    for name, part in one.visibility.hidden_by[:2]:
        words += f"\n{name} hides {style.percent(part)} %"
    axes.text(  # type: ignore[attr-defined]
        x, y, words, color="white", fontsize=style.SMALL, ha="center",
        va="top" if under else "bottom", linespacing=1.25, clip_on=True,
        path_effects=[withStroke(linewidth=2.5, foreground="black")],
    )  # fmt: skip
