"""A second way to read a drawing, which shares nothing with the rasteriser."""

from collections.abc import Callable

import cv2
import numpy as np
import pypdfium2
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


@pytest.fixture
def rasterise() -> Callable[[bytes, float], list[tuple[Array, Array]]]:
    """Return a PDF's pages through PDFium, as darkness (H, W), 0 to 1, and pixels per mm (2,).

    PDFium stretches a page to whole pixels, so the scale is the picture's size over the
    page's own and differs a little from the dpi asked for.
    """

    def pages(pdf: bytes, dpi: float) -> list[tuple[Array, Array]]:
        found = []
        for page in pypdfium2.PdfDocument(pdf):
            size_mm = np.array(page.get_size()) * 25.4 / 72.0
            picture = page.render(scale=dpi / 72.0, grayscale=True).to_numpy()
            picture = picture.reshape(picture.shape[:2])
            found.append((1.0 - picture / 255.0, np.array(picture.shape[::-1]) / size_mm))
        return found

    return pages


@pytest.fixture
def slice_page() -> Callable[..., tuple[Array, float]]:
    """Return one line of pixels across a PDF's first page, as darkness, and pixels per mm.

    PDFium widens rectangles to whole pixels, so lengths are to be measured with pixels far
    smaller than what matters; it also clips coordinates at 32,000 pixels. 30,000 along the
    page's longer side are 10 µm on A4.
    """

    def line(
        pdf: bytes, *, x_mm: float | None = None, y_mm: float | None = None
    ) -> tuple[Array, float]:
        """Cut at a height from below (y) or at a distance from the left (x)."""
        (page,) = pypdfium2.PdfDocument(pdf)
        width, height = page.get_size()
        scale, point = 30000.0 / max(width, height), 72.0 / 25.4
        thin = 2.0 / scale  # leaves a few pixels; the rest is cropped away before rendering
        crop = [0.0, 0.0, 0.0, 0.0]  # left, bottom, right, top
        if y_mm is not None:
            crop[1], crop[3] = y_mm * point - thin, height - y_mm * point - thin
        else:
            crop[0], crop[2] = x_mm * point - thin, width - x_mm * point - thin
        picture = page.render(scale=scale, crop=tuple(crop), grayscale=True).to_numpy()
        picture = 1.0 - picture.reshape(picture.shape[:2]) / 255.0
        length_mm = (width if y_mm is not None else height) / point
        pixels = picture[1] if y_mm is not None else picture[:, 1]
        return pixels, len(pixels) / length_mm

    return line
