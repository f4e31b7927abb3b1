"""Exact picture of a piecewise-constant plane: the box average of reflectance over each pixel.

The picture is linear in its boundaries. Summed along a row from the left, a chord of step s
that descends by dv adds s·dv to every pixel to its right and, to a pixel that it crosses, s
times the area on its right (Green's theorem): the scan conversion by signed area and cover of
font rasterisers. Chords are accumulated exactly, to rounding; a pixel that no chord crosses
costs one addition. The one approximation is in the chords of curves, see
`bench.imaging.chords`.
"""

from __future__ import annotations

import numpy as np

from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.chords import Chords, project_chords
from bench.imaging.picture import Region
from bench.kernel import kernel
from bench.targets.drawing import Drawing
from bench.typing import Array


def reflectance_image(
    drawing: Drawing,
    T_camera_target: Pose,
    camera: Camera,
    region: Region,
    oversample: int = 1,
) -> Array:
    """Return the box average of reflectance over each pixel, or each part of one.

    Parameters
    ----------
    drawing : Drawing
        The target's face; everything beyond its plate has the drawing's background.
    T_camera_target : Pose
        Target to camera.
    camera : Camera
        Intrinsics.
    region : Region
        Which pixels.
    oversample : int
        Parts along each side of a pixel.

    Returns
    -------
    (H * oversample, W * oversample) float64
        Reflectance, 0 to 1.

    Raises
    ------
    GeometryError
        The camera sees the target's back or its edge only; a point of it lies on or behind
        the camera plane, or where the lens model isn't one-to-one.
    """
    chords = project_chords(drawing, T_camera_target, camera)
    return covered_image(chords, drawing.background, region, oversample)


def covered_image(chords: Chords, background: float, region: Region, oversample: int = 1) -> Array:
    """Return what `reflectance_image` does, of chords that are closed on a background."""
    image = np.zeros((region.height * oversample, region.width * oversample))
    # from pixel centres to the distance from the region's top left corner, in parts
    origin_u, origin_v = region.u0 - 0.5, region.v0 - 0.5
    _accumulate(image, chords.ends, chords.steps, origin_u, origin_v, float(oversample))
    sum_rows(image, background)
    return image


@kernel
def _accumulate(
    image: Array, ends: Array, steps: Array, origin_u: float, origin_v: float, scale: float
) -> None:
    """Add each chord's change along the row to `image` (H, W)."""
    height, width = image.shape
    for k in range(len(steps)):
        u0, v0 = (ends[k, 0] - origin_u) * scale, (ends[k, 1] - origin_v) * scale
        u1, v1 = (ends[k, 2] - origin_u) * scale, (ends[k, 3] - origin_v) * scale
        step = steps[k]
        if v0 > v1:
            u0, v0, u1, v1, step = u1, v1, u0, v0, -step
        if v1 <= 0.0 or v0 >= height or v0 == v1:
            continue
        slope = (u1 - u0) / (v1 - v0)
        top = max(v0, 0.0)
        u_top = u0 if v0 >= 0.0 else u0 - v0 * slope
        row = int(top)
        while row < height and top < v1:
            bottom = min(v1, row + 1.0)
            u_bottom = u1 if bottom == v1 else u0 + (bottom - v0) * slope
            _add_to_row(image[row], u_top, u_bottom, step * (bottom - top), width)
            top, u_top = bottom, u_bottom
            row += 1


@kernel
def _add_to_row(row: Array, ua: float, ub: float, cover: float, width: int) -> None:
    """Add a chord that runs from ua to ub within one row and changes it by `cover`."""
    left, right = min(ua, ub), max(ua, ub)
    if left >= width:
        return
    if right <= 0.0:
        row[0] += cover
        return
    if left < 0.0:  # the part left of the region changes all of the row
        share = -left / (right - left)
        row[0] += cover * share
        cover *= 1.0 - share
        left = 0.0
    if right > width:
        cover *= (width - left) / (right - left)
        right = float(width)
    column, last = int(left), min(int(right), width - 1)
    within_one = column == last
    per_column = 0.0 if within_one else cover / (right - left)
    while column <= last:
        end = right if column == last else column + 1.0
        part = cover if within_one else per_column * (end - left)
        beyond = 0.5 * (left + end) - column  # share of the pixel left of the chord
        row[column] += part * (1.0 - beyond)
        if column + 1 < width:
            row[column + 1] += part * beyond
        left = end
        column += 1


@kernel
def sum_rows(image: Array, background: float) -> None:
    """Turn changes along the rows into values, in place."""
    height, width = image.shape
    for row in range(height):
        value = background
        for column in range(width):
            value += image[row, column]
            image[row, column] = value
