"""Names placed so that none lies on another, on a line or outside the picture."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patheffects import withStroke

from bench.draw import style
from bench.draw.page_layout import text_width
from bench.typing import Array, BoolArray

LINE = 1.3  # of a line of text, font sizes
PAD = 0.03  # kept free around a name, inches
SAMPLE = 0.04  # along lines, inches: no line slips between two of its points through a name
# Distances from the place named to the name's edge, inches, and directions: below first.
DISTANCES = (0.1, 0.2, 0.35, 0.55, 0.8, 1.1)
DIRECTIONS = np.radians(np.array([-90, 90, 0, 180, -60, -120, 60, 120, -30, -150, 30, 150]))
LEADER = 0.25  # a name farther away than that gets a line to its place, inches


class Labels:
    """Places names on axes one after the other.

    Parameters
    ----------
    axes : Axes
        With their final limits.
    size : (float, float)
        Of the axes, inches.
    ink, rim : str
        Colours of names and of their rims.
    """

    def __init__(
        self, axes: Axes, size: tuple[float, float], ink: str = style.INK, rim: str = "white"
    ) -> None:
        self._axes, self._ink, self._rim = axes, ink, rim
        self._size = np.array(size)
        (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
        self._low = np.array([x0, y0])
        self._unit = self._size / (x1 - x0, y1 - y0)
        self._taken = np.empty((0, 2))
        self._boxes: list[Array] = []

    def avoid(self, line: Array) -> None:
        """Keep names off a line through points (N, 2) in the axes' units; NaN breaks it."""
        for a, b in itertools.pairwise(self._inches(line)):
            if np.all(np.isfinite((a, b))):
                steps = max(1, math.ceil(float(np.linalg.norm(b - a)) / SAMPLE))
                shares = np.linspace(0.0, 1.0, steps + 1)[:, None]
                self._taken = np.vstack((self._taken, a + shares * (b - a)))

    def put(self, place: Sequence[float], words: str) -> Array:
        """Write words near a place; return their box (2, 2) in inches, low and high corner."""
        lines = words.split("\n")
        width = max(text_width(line, style.SMALL) for line in lines)
        half = 0.5 * np.array([width, LINE * style.SMALL / 72.0 * len(lines)]) + PAD
        anchor = self._inches(np.asarray(place, dtype=np.float64)[None])[0]
        tried: list[tuple[int, float, int, Array]] = []
        for distance in DISTANCES:
            for angle in DIRECTIONS:
                way = np.array([math.cos(angle), math.sin(angle)])
                # the box's edge, not its middle, is so far away
                reach = min(h / abs(w) for h, w in zip(half, way, strict=True) if abs(w) > 1e-9)
                centre = anchor + (reach + distance) * way
                box = np.stack((centre - half, centre + half))
                faults = self._faults(box) + self._across(anchor, distance, box)
                tried.append((faults, distance, len(tried), box))
                if faults == 0:
                    return self._write(anchor, distance, box, words)
        _, distance, _, box = min(tried, key=lambda one: one[:3])
        return self._write(anchor, distance, box, words)

    def _faults(self, box: Array) -> int:
        low, high = box
        outside = np.any(low < 0.0) or np.any(high > self._size)
        across = sum(bool(np.all((low < b[1]) & (b[0] < high))) for b in self._boxes)
        on = int(np.sum(_inside(self._taken, box)))
        return 1000 * int(outside) + 100 * across + on

    def _across(self, anchor: Array, distance: float, box: Array) -> int:
        """Return how badly a name's own line would cross other names."""
        if distance < LEADER:
            return 0
        shares = np.linspace(0.0, 1.0, math.ceil(distance / SAMPLE) + 1)[:, None]
        line = anchor + shares * (np.clip(anchor, *box) - anchor)
        return 50 * sum(bool(np.any(_inside(line, other))) for other in self._boxes)

    def _write(self, anchor: Array, distance: float, box: Array, words: str) -> Array:
        self._boxes.append(box)
        middle = box.mean(axis=0)
        rim = [withStroke(linewidth=2.5, foreground=self._rim)]
        if distance >= LEADER:
            end = np.clip(anchor, box[0], box[1])
            ends = self._units(np.stack((anchor, end)))
            self.avoid(ends)
            self._axes.plot(*ends.T, color=self._ink, lw=0.6, zorder=5.5, path_effects=rim)
        x, y = self._units(middle[None])[0]
        self._axes.text(
            x, y, words, color=self._ink, fontsize=style.SMALL, ha="center", va="center",
            linespacing=1.25, zorder=6, path_effects=rim,
        )  # fmt: skip
        return box

    def _inches(self, points: Array) -> Array:
        return np.asarray((points - self._low) * self._unit)

    def _units(self, inches: Array) -> Array:
        return np.asarray(inches / self._unit + self._low)


def _inside(points: Array, box: Array) -> BoolArray:
    return np.asarray(np.all((points > box[0]) & (points < box[1]), axis=1), dtype=np.bool_)
