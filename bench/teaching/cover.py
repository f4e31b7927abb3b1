"""A target with something opaque on its face, as an exact drawing."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from bench.targets.drawing import Area, Disc, Drawing
from bench.typing import Array

CORNERS = 48  # of the polygons that stand for ellipses and discs


def ellipse(x: float, y: float, width: float, height: float) -> Array:
    """Return an ellipse as a convex polygon (N, 2), anticlockwise, of the ellipse's own area.

    A regular n-gon has n/2 sin(2π/n) times the squared radius as its area.
    """
    angle = 2.0 * np.pi * np.arange(CORNERS) / CORNERS
    grown = math.sqrt(2.0 * math.pi / (CORNERS * math.sin(2.0 * math.pi / CORNERS)))
    xy = (0.5 * width * np.cos(angle), 0.5 * height * np.sin(angle))
    return np.column_stack(xy) * grown + (x, y)


def rectangle(x: float, y: float, width: float, height: float) -> Array:
    """Return a rectangle (4, 2), anticlockwise."""
    return np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (0.5 * width, 0.5 * height) + (x, y)


def clipped(ring: Array, window: Array) -> Array:
    """Return the part of a polygon (N, 2) inside a convex one, in the ring's own sense.

    Sutherland and Hodgman 1974, doi:10.1145/360767.360802. Parts that come apart stay joined
    by edges that run there and back: their areas cancel, which is all that the rasteriser asks.
    """
    for start, end in zip(window, np.roll(window, -1, axis=0), strict=True):
        if len(ring) == 0:
            break
        along = end - start
        side = along[0] * (ring[:, 1] - start[1]) - along[1] * (ring[:, 0] - start[0])
        kept = []
        for here, there, s, t in zip(
            ring, np.roll(ring, -1, axis=0), side, np.roll(side, -1), strict=True
        ):
            if s >= 0.0:
                kept.append(here)
            if (s >= 0.0) != (t >= 0.0):
                kept.append(here + (s / (s - t)) * (there - here))
        ring = np.array(kept).reshape(-1, 2)
    return ring


def covered(drawing: Drawing, window: Array, reflectance: float) -> Drawing:
    """Return a drawing with a convex polygon (N, 2) of one reflectance painted over it.

    Under the polygon each shape's step is taken back, and the polygon's own is added.
    """
    return _over(drawing, window, 0.0, reflectance)


def shaded(drawing: Drawing, window: Array, factor: float) -> Drawing:
    """Return a drawing with a convex polygon (N, 2) that leaves a factor of its reflectances."""
    return _over(drawing, window, factor, factor * drawing.background)


def _over(drawing: Drawing, window: Array, kept: float, ground: float) -> Drawing:
    """Keep a share of each shape's step under a polygon, and lay another ground there."""
    shapes: list[Area | Disc] = list(drawing.shapes)
    for shape in drawing.shapes:
        rings = (
            shape.rings
            if isinstance(shape, Area)
            else (ellipse(shape.x, shape.y, 2.0 * shape.radius, 2.0 * shape.radius),)
        )
        inside = tuple(part for ring in rings if len(part := clipped(ring, window)) >= 3)
        if inside:
            back = shape.reflectance + (1.0 - kept) * (shape.below - shape.reflectance)
            shapes.append(Area(inside, reflectance=back, below=shape.reflectance))
    shapes.append(Area((window,), reflectance=ground, below=drawing.background))
    return replace(drawing, shapes=tuple(shapes))
