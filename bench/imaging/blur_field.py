"""Blur that grows from the middle of the field outward, exact for each pixel.

A pixel sees through the Gaussian of its own place. Its value depends smoothly on that Gaussian's
variance v, so the picture is computed at a few variances and interpolated pixel by pixel, from
Chebyshev's nodes. With Φ(x/√v) an edge, |∂ⁿΦ/∂vⁿ| = |He_{2n-1}(x/√v)| φ(x/√v) / (2 v)ⁿ, so that n
nodes on an interval Δ above v leave at most::

    2 (Δ / 4)ⁿ / n! · max |He_{2n-1} φ| / (2 v)ⁿ

of an edge's step. Where `MOST` nodes don't suffice, the region is halved.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from bench.geometry.camera import Camera
from bench.imaging.optics import Optics, field_variance
from bench.imaging.picture import Region
from bench.kernel import kernel
from bench.typing import Array

# Of an edge's step; pictures through a single Gaussian are off by up to 6e-5.
TOLERANCE = 3e-5
# Each node costs a picture of the region, and each half of it a margin around it.
MOST = 8


def _largest_slopes() -> tuple[float, ...]:
    """Return the largest of |He_{2n-1} φ| for n from 1; it lies within 2 σ of the edge."""
    x = np.linspace(0.0, 2.0, 2001)
    density = np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)
    unit = np.eye(2 * MOST)
    return tuple(
        float(np.max(np.abs(np.polynomial.hermite_e.hermeval(x, unit[2 * n - 1])) * density))
        for n in range(1, MOST + 1)
    )


_SLOPES = _largest_slopes()


def over_field(
    picture: Callable[[Optics, Region], Array], optics: Optics, camera: Camera, region: Region
) -> Array:
    """Return a picture (H, W) whose blur varies.

    Parameters
    ----------
    picture : callable
        Returns the picture of a region through optics that are the same everywhere.
    optics : Optics
        With a field.
    camera : Camera
        Where the field's middle and its corners are.
    region : Region
        Which pixels.
    """
    across = np.array([region.u0, region.u0 + region.width - 1], dtype=np.float64)
    down = np.array([region.v0, region.v0 + region.height - 1], dtype=np.float64)
    nearest = (float(np.clip(camera.cx, *across)), float(np.clip(camera.cy, *down)))
    low = float(field_variance(optics, camera, *nearest))
    high = float(np.max(field_variance(optics, camera, across, down[:, None])))
    count = nodes_needed(low, high)
    if count <= MOST:
        return _interpolated(picture, optics, camera, region, low, high, count)
    if region.width >= region.height:
        axis, half = 1, region.width // 2
        parts = (
            replace(region, width=half),
            replace(region, u0=region.u0 + half, width=region.width - half),
        )
    else:
        axis, half = 0, region.height // 2
        parts = (
            replace(region, height=half),
            replace(region, v0=region.v0 + half, height=region.height - half),
        )
    return np.concatenate([over_field(picture, optics, camera, p) for p in parts], axis=axis)


def nodes_needed(low: float, high: float) -> int:
    """Return how many variances between two, px², a picture is interpolated from."""
    ratio = (high - low) / (8.0 * low)
    for count, slope in enumerate(_SLOPES, start=1):
        if 2.0 * ratio**count / math.factorial(count) * slope <= TOLERANCE:
            return count
    return MOST + 1


def _interpolated(
    picture: Callable[[Optics, Region], Array],
    optics: Optics,
    camera: Camera,
    region: Region,
    low: float,
    high: float,
    count: int,
) -> Array:
    nodes = 0.5 * (low + high) + 0.5 * (high - low) * np.cos(
        (np.arange(count) + 0.5) * np.pi / count
    )
    even = (replace(optics, sigma_px=math.sqrt(v), field_sigma_px=0.0) for v in nodes)
    pictures = np.stack([picture(lens, region) for lens in even])
    middle = np.array([region.u0 - camera.cx, region.v0 - camera.cy])
    scale = optics.field_sigma_px**2 / (0.25 * (camera.width**2 + camera.height**2))
    return _between(pictures, nodes, middle, optics.sigma_px**2, scale)


@kernel
def _between(pictures: Array, nodes: Array, first: Array, least: float, scale: float) -> Array:
    """Return the picture (H, W) at each pixel's own variance, from pictures (K, H, W) at nodes.

    The variance is `least` and `scale` times the squared distance from the field's middle, from
    which the first pixel is `first` away.
    """
    count, height, width = pictures.shape
    total = np.zeros((height, width))
    own = np.ones(count)  # of Lagrange's polynomials, their denominators
    for k in range(count):
        for other in range(count):
            if other != k:
                own[k] /= nodes[k] - nodes[other]
    variance, weight = np.empty(width), np.empty(width)
    for i in range(height):  # row by row, so that a processor does several pixels at once
        down = (i + first[1]) ** 2
        for j in range(width):
            variance[j] = least + scale * ((j + first[0]) ** 2 + down)
        for k in range(count):
            weight[:] = own[k]
            for other in range(count):
                if other != k:
                    for j in range(width):
                        weight[j] *= variance[j] - nodes[other]
            for j in range(width):
                total[i, j] += weight[j] * pictures[k, i, j]
    return total
