"""Marks of teaching schematics: camera, plate, text."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Polygon

from bench.draw import style
from bench.typing import Array

SIZE, DIAGRAM = 1.8, 3.2  # height of a panel and width of a schematic, inches
BLUE, RED = style.OKABE_ITO[0], style.OKABE_ITO[1]
# Behind a text that a line may run through.
PAPER = {"fc": "white", "ec": "none", "pad": 1.0}
Point = Sequence[float] | Array


def write(axes: Axes, at: Point, text: str, **how: Any) -> None:
    """Write a text about a point."""
    look: dict[str, Any] = {"size": style.SMALL, "ha": "center", "va": "center"} | how
    axes.text(at[0], at[1], text, **look)


def pair(at: Point) -> tuple[float, float]:
    """Return a point as matplotlib wants it."""
    return float(at[0]), float(at[1])


def draw_camera(axes: Axes, at: Point, direction: float) -> None:
    """Draw a camera with its lens at `at`, looking in a direction, radians."""
    body = np.array([[0, -0.03], [0, 0.03], [-0.05, 0.03], [-0.05, 0.06], [-0.17, 0.06]])
    body = np.vstack((body, body[::-1] * (1, -1)))
    c, s = math.cos(direction), math.sin(direction)
    axes.add_patch(Polygon(body @ np.array([[c, s], [-s, c]]) + at, fc=style.INK, ec="none"))


def draw_plate(axes: Axes, at: Point, normal: Point, half: float, **how: Any) -> None:
    """Draw a plate seen along its face, `half` to either side."""
    across = np.array([-normal[1], normal[0]]) * half
    ends = np.array([np.asarray(at) - across, np.asarray(at) + across])
    look: dict[str, Any] = {"color": style.INK, "lw": 3.0, "solid_capstyle": "butt"} | how
    axes.plot(*ends.T, **look)
