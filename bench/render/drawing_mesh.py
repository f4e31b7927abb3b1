"""A target's drawing as triangles: exact but for circles, which become polygons."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from bench.targets.drawing import Area, Disc, Drawing
from bench.typing import Array

DISC_SIDES = 256  # off the circle by 4e-5 of its radius at most, once its area is kept


def shape_triangles(drawing: Drawing) -> list[tuple[Array, float]]:
    """Return each shape's triangles (F, 3, 2), metres, and its reflectance, in painting order."""
    return [(_triangles(shape), shape.reflectance) for shape in drawing.shapes]


def _triangles(shape: Area | Disc) -> Array:
    if isinstance(shape, Area):
        return area_triangles(shape)
    angle = 2.0 * np.pi * np.arange(DISC_SIDES + 1) / DISC_SIDES
    radius = shape.radius * np.sqrt(2.0 * np.pi / DISC_SIDES / np.sin(2.0 * np.pi / DISC_SIDES))
    rim = np.column_stack((shape.x + radius * np.cos(angle), shape.y + radius * np.sin(angle)))
    centre = np.broadcast_to([shape.x, shape.y], rim[1:].shape)
    return np.stack((centre, rim[:-1], rim[1:]), axis=1)


def area_triangles(area: Area) -> Array:
    """Return triangles (F, 3, 2) that fill an area, holes left out.

    Strips between neighbouring heights of corners are cut into trapezoids from an odd crossing
    of the outline to the next even one.
    """
    edges = np.vstack([np.hstack((ring, np.roll(ring, -1, axis=0))) for ring in area.rings])
    heights = np.unique(edges[:, [1, 3]])
    found: list[Array] = []
    for low, high in pairwise(heights):
        x0, y0, x1, y1 = edges.T
        crossing = (np.minimum(y0, y1) <= low) & (np.maximum(y0, y1) >= high) & (y0 != y1)
        x0, y0, x1, y1 = edges[crossing].T
        slope = (x1 - x0) / (y1 - y0)
        ends = np.column_stack((x0 + slope * (low - y0), x0 + slope * (high - y0)))
        ends = ends[np.argsort(ends.sum(axis=1))]
        for (a, d), (b, c) in zip(ends[::2], ends[1::2], strict=True):
            corners = np.array([[a, low], [b, low], [c, high], [d, high]])
            found += [corners[[0, 1, 2]], corners[[0, 2, 3]]]
    return np.array(found).reshape(-1, 3, 2)
