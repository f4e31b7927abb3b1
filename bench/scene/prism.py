"""Upright prisms on convex footprints: enough to tell whether two things stand in one place."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from bench.typing import Array

DISC_CORNERS = 48  # a polygon around a disc then reaches out by 0.2 % of the radius
SHORTEST = 1e-9  # metres; a shorter side is none


@dataclass(frozen=True, eq=False)
class Prism:
    """A block with vertical sides.

    Attributes
    ----------
    name : str
        As messages call it.
    corners : (N, 2) float64
        Of its convex footprint, in order, bay frame, metres.
    bottom, top : float
        Heights, metres.
    """

    name: str
    corners: Array
    bottom: float
    top: float

    @cached_property
    def bounds(self) -> tuple[float, float, float, float]:
        """Least and greatest x, then y."""
        (low_x, low_y), (high_x, high_y) = self.corners.min(axis=0), self.corners.max(axis=0)
        return float(low_x), float(high_x), float(low_y), float(high_y)


def block(
    name: str,
    centre: tuple[float, float],
    size: tuple[float, float],
    heights: tuple[float, float],
    yaw: float = 0.0,
) -> Prism:
    """Return a block of a size along its own x and y, turned about the vertical by yaw."""
    half_x, half_y = 0.5 * size[0], 0.5 * size[1]
    square = np.array([[-half_x, -half_y], [half_x, -half_y], [half_x, half_y], [-half_x, half_y]])
    c, s = math.cos(yaw), math.sin(yaw)
    return Prism(name, square @ np.array([[c, s], [-s, c]]) + np.array(centre), *heights)


def disc(name: str, centre: tuple[float, float], radius: float, height: float) -> Prism:
    """Return a cylinder on the floor, as the polygon around it."""
    angles = 2.0 * np.pi * np.arange(DISC_CORNERS) / DISC_CORNERS
    reach = radius / math.cos(math.pi / DISC_CORNERS)
    corners = reach * np.column_stack((np.cos(angles), np.sin(angles))) + np.array(centre)
    return Prism(name, corners, 0.0, height)


def overlap(a: Prism, b: Prism) -> float:
    """Return how far one of two prisms must move to be clear of the other, metres.

    0 or less where they don't overlap. By separating axes: convex bodies are apart exactly where
    a line along the normal of one of their sides separates them.
    """
    (ax0, ax1, ay0, ay1), (bx0, bx1, by0, by1) = a.bounds, b.bounds
    depth = min(a.top, b.top) - max(a.bottom, b.bottom)
    quick = min(depth, ax1 - bx0, bx1 - ax0, ay1 - by0, by1 - ay0)
    if quick <= 0.0:  # as with most pairs
        return quick
    for corners in (a.corners, b.corners):
        edges = np.roll(corners, -1, axis=0) - corners
        normals = np.column_stack((edges[:, 1], -edges[:, 0]))
        lengths = np.linalg.norm(normals, axis=1, keepdims=True)
        normals = (normals / np.maximum(lengths, SHORTEST))[lengths[:, 0] > SHORTEST]
        over_a, over_b = a.corners @ normals.T, b.corners @ normals.T
        reaches = np.minimum(
            over_a.max(axis=0) - over_b.min(axis=0), over_b.max(axis=0) - over_a.min(axis=0)
        )
        depth = min(depth, float(reaches.min()))
    return depth
