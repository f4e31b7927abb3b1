"""Marks of teaching pictures: good and bad, camera, plate, lamp, text."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Circle, Polygon

from bench.draw import style
from bench.typing import Array

BLUE, RED, AMBER = style.OKABE_ITO[0], style.OKABE_ITO[1], style.OKABE_ITO[4]
# Behind a text that a line may run through.
PAPER = {"fc": "white", "ec": "none", "pad": 0.8}
NOTE = 8.0  # type of a schematic's words, points
Point = Sequence[float] | Array


def write(axes: Axes, at: Point, text: str, **how: Any) -> None:
    """Write a text about a point."""
    look: dict[str, Any] = {"size": NOTE, "ha": "center", "va": "center", "bbox": PAPER} | how
    axes.text(at[0], at[1], text, **look)


def draw_verdict(axes: Axes, at: Point, verdict: str, radius: float = 0.15) -> None:
    """Draw a verdict: a ring, the tolerance, and a dot, the error, in it, on it or out of it."""
    x, y = at
    colour = {"inside": BLUE, "unsure": style.MUTED}.get(verdict, RED)
    broken = verdict not in ("inside", "unsure")
    line: Any = (0, (2.2, 1.3)) if broken else "-"
    axes.add_patch(Circle((x, y), radius, fc="none", ec=colour, lw=3.2, ls=line))
    out = {"inside": 0.0, "unsure": 1.0}.get(verdict, 1.75)
    dot = (x + out * radius * 0.77, y + out * radius * 0.64)
    axes.add_patch(Circle(dot, 0.42 * radius, fc=colour, ec="white", lw=0.8, zorder=3))


def heading(angle: float) -> Array:
    """Return the unit vector (2,) of a direction, radians."""
    return np.array([math.cos(angle), math.sin(angle)])


def draw_line(axes: Axes, *points: Point, **how: Any) -> None:
    """Draw a line through points."""
    look: dict[str, Any] = {"color": style.MUTED, "lw": 1.0} | how
    axes.plot(*np.array([np.asarray(p) for p in points]).T, **look)


def draw_arrow(axes: Axes, start: Point, end: Point, **how: Any) -> None:
    """Draw an arrow from one point to another."""
    look: dict[str, Any] = {
        "arrowstyle": "-|>",
        "color": RED,
        "lw": 1.3,
        "shrinkA": 0,
        "shrinkB": 0,
    }
    ends = (float(end[0]), float(end[1])), (float(start[0]), float(start[1]))
    axes.annotate("", *ends, arrowprops=look | how, annotation_clip=False)


def draw_camera(axes: Axes, at: Point, direction: float, colour: str = style.INK) -> None:
    """Draw a camera with its lens at `at`, looking in a direction, radians."""
    body = np.array([[0, -0.03], [0, 0.03], [-0.05, 0.03], [-0.05, 0.06], [-0.17, 0.06]])
    body = np.vstack((body, body[::-1] * (1, -1)))
    c, s = math.cos(direction), math.sin(direction)
    axes.add_patch(Polygon(body @ np.array([[c, s], [-s, c]]) + at, fc=colour, ec="none"))


def draw_plate(axes: Axes, at: Point, normal: float, half: float = 0.22, **how: Any) -> None:
    """Draw a plate seen along its face, `half` to either side."""
    across = heading(normal + 0.5 * math.pi) * half
    look: dict[str, Any] = {"color": style.INK, "lw": 3.0, "solid_capstyle": "butt"} | how
    draw_line(axes, np.asarray(at) - across, np.asarray(at) + across, **look)


def draw_lamp(axes: Axes, at: Point, colour: str = AMBER, **how: Any) -> None:
    """Draw a lamp, with rays."""
    look: dict[str, Any] = {"color": colour, "lw": 1.0} | how
    axes.add_patch(
        Circle((float(at[0]), float(at[1])), 0.055, fc=colour if not how else "none", ec=colour)
    )
    for angle in np.arange(8) * math.pi / 4.0:
        draw_line(axes, at + 0.08 * heading(angle), at + 0.12 * heading(angle), **look)
