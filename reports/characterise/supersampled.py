"""Pictures of a target by plain supersampling: a second renderer, which shares no drawing code.

Rays through a grid in each pixel meet the plate's plane, whose cells are looked up there; a
Gaussian blurs the samples, and each pixel takes their mean. Each row of samples is shifted along
itself and each column too, by up to half a sample: an edge along a straight grid would jump by a
whole one.
"""

from __future__ import annotations

import math

import cv2
import numpy as np

from bench.geometry.camera import Camera, normalise
from bench.geometry.pose import Pose
from bench.imaging.picture import Region
from bench.targets.drawing import Area, Drawing
from bench.typing import Array

SAMPLES = 10  # a pixel, each way
GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)  # whose multiples fill a sample's width evenly (Weyl)


def cells_of(drawing: Drawing) -> tuple[Array, Array, Array]:
    """Return where reflectance may change across and up, and that of each cell between (Y, X).

    All edges must be parallel to the plate's own, as a marker's are.
    """
    rings = [ring for shape in drawing.shapes for ring in getattr(shape, "rings", ())]
    xs, ys = (np.unique(np.concatenate(rings)[:, axis]) for axis in (0, 1))
    x, y = np.meshgrid(0.5 * (xs[1:] + xs[:-1]), 0.5 * (ys[1:] + ys[:-1]))
    found = np.full(x.shape, drawing.background)
    for shape in drawing.shapes:
        assert isinstance(shape, Area)
        inside = np.zeros(x.shape, dtype=np.bool_)
        for ring in shape.rings:
            for (x0, y0), (x1, y1) in zip(ring, np.roll(ring, -1, axis=0), strict=True):
                assert x0 == x1 or y0 == y1
                inside ^= (x0 == x1) & (x0 > x) & (min(y0, y1) < y) & (y < max(y0, y1))
        found[inside] = shape.reflectance
    edge = np.pad(found, 1, constant_values=drawing.background)
    return xs, ys, edge


def supersampled(
    drawing: Drawing,
    T_camera_target: Pose,
    camera: Camera,
    blur_px: float,
    gradient: tuple[float, float],
    region: Region,
) -> Array:
    """Return the light (H, W) of each pixel as a share of what reflectance 1 gives at the centre.

    The plate must be flat, its blur the same all over it; other parameters as
    `bench.imaging.model.expected_electrons` has them.
    """
    (xs, ys, levels), margin = cells_of(drawing), math.ceil(4.0 * blur_px) + 1
    offsets = (np.arange(SAMPLES) + 0.5) / SAMPLES - 0.5
    across = np.add.outer(np.arange(-margin, region.width + margin), offsets).ravel() + region.u0
    down = np.add.outer(np.arange(-margin, region.height + margin), offsets).ravel() + region.v0
    along, aside = (
        (np.arange(len(places)) * GOLDEN % 1.0 - 0.5) / SAMPLES for places in (down, across)
    )
    light = np.empty((len(down), len(across)), np.float32)
    R, t = T_camera_target.rotation, T_camera_target.translation
    for k, v in enumerate(down):
        xy = normalise(np.column_stack((across + along[k], v + aside)), camera)
        ray = np.column_stack((xy, np.ones(len(xy))))
        place = ray * (R[:, 2] @ t / (ray @ R[:, 2]))[:, None] - t
        x, y = (place @ R)[:, :2].T
        seen = levels[np.searchsorted(ys, y), np.searchsorted(xs, x)]
        way = (xy - t[:2] / t[2]) * t[2]  # linear in the picture, at the target's distance
        light[k] = seen * (1.0 + way @ gradient)
    cv2.GaussianBlur(light, (0, 0), SAMPLES * blur_px, light)
    means = light.reshape(len(down) // SAMPLES, SAMPLES, -1, SAMPLES).mean(axis=(1, 3))
    return np.asarray(means[margin:-margin, margin:-margin], dtype=np.float64)
