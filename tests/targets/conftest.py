"""A second way to read a drawing, which shares nothing with the rasteriser."""

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from bench.targets.drawing import Area, Drawing
from bench.typing import Array, IntArray


def winding_number(points: Array, ring: Array) -> IntArray:
    """Return how often a closed polygon (N, 2) winds around each point (P, 2), anticlockwise."""
    x, y = points.T
    total = np.zeros(len(points), dtype=np.int64)
    for (x0, y0), (x1, y1) in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        if y0 == y1:
            continue
        right_of_point = x0 + (y - y0) * (x1 - x0) / (y1 - y0) > x
        total += right_of_point & (y0 <= y) & (y < y1)
        total -= right_of_point & (y1 <= y) & (y < y0)
    return total


def covers(shape, points: Array) -> IntArray:
    if isinstance(shape, Area):
        return sum(winding_number(points, ring) for ring in shape.rings)
    return (np.hypot(points[:, 0] - shape.x, points[:, 1] - shape.y) < shape.radius).astype(int)


@pytest.fixture
def reflectance() -> Callable[[Drawing, Array], Array]:
    """Return reflectance at points (P, 2), painting shape over shape.

    Checks on the way what the sum of steps relies on: every shape covers a point once or not
    at all, and lies on the reflectance it says it does.
    """

    def paint(drawing: Drawing, points: Array) -> Array:
        seen = np.full(len(points), drawing.background)
        for shape in drawing.shapes:
            inside = covers(shape, points)
            assert set(np.unique(inside)) <= {0, 1}
            assert np.all(seen[inside == 1] == shape.below)
            seen[inside == 1] = shape.reflectance
        return seen

    return paint


@pytest.fixture
def render(reflectance) -> Callable[[Drawing, float], Array]:
    """Return the drawing's plate as a picture (H, W) uint8, sampled at pixel centres."""

    def picture(drawing: Drawing, pixel_m: float) -> Array:
        columns, rows = (round(s / pixel_m) for s in (drawing.width, drawing.height))
        x = (np.arange(columns) + 0.5) * pixel_m - 0.5 * drawing.width
        y = 0.5 * drawing.height - (np.arange(rows) + 0.5) * pixel_m
        points = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
        return np.rint(255 * reflectance(drawing, points).reshape(rows, columns)).astype(np.uint8)

    return picture


@pytest.fixture
def opencv_dictionary() -> Callable[[str], "cv2.aruco.Dictionary"]:
    """Return OpenCV's dictionary by OpenCV's name."""
    return lambda name: cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))
