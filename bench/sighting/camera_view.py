"""A tower's picture with names on it: each target outlined, and how much of it is seen."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Polygon

from bench.draw import style
from bench.draw.labels import Labels
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
    grey = np.uint8(np.round(255.0 / picture.full_scale * small))
    # dot for dot already: filtering it again would take longer than to draw all else
    axes.imshow(np.dstack([grey] * 3), extent=edges, interpolation="nearest")
    axes.set(xlim=edges[:2], ylim=edges[2:], xticks=[], yticks=[])
    labels = Labels(axes, (width, height), "white", "black")
    for one in seen:
        if one.outline_px is None:
            continue
        colour = SEEN if one.enough else LACKING
        line = "-" if one.enough else "--"
        axes.add_patch(
            Polygon(one.outline_px, closed=True, fill=False, edgecolor=colour, lw=1.6, ls=line)
        )
        labels.avoid(np.vstack((one.outline_px, one.outline_px[:1])))
    for one in seen:
        if one.outline_px is not None:
            labels.put(_foot(one, columns, rows), _words(one))
    return page.figure


def _foot(one: Seen, columns: int, rows: int) -> tuple[float, float]:
    """Return the middle of a target's lower edge, within the picture."""
    assert one.outline_px is not None
    low, high = one.outline_px.min(axis=0), one.outline_px.max(axis=0)
    x, y = np.clip((0.5 * (low[0] + high[0]), high[1]), 0.0, (columns - 1.0, rows - 1.0))
    return float(x), float(y)


def _words(one: Seen) -> str:
    own = "" if one.marker_id is None else f", id {one.marker_id}"
    words = f"{one.wheel.name}{own}\n{style.percent(one.visibility.fraction)} % visible"
    if not one.in_picture:
        words += "\nnot wholly in the picture"
    for name, part in one.visibility.hidden_by[:2]:
        words += f"\n{name} hides {style.percent(part)} %"
    return words
