"""Pictures of a target by plain supersampling: a second renderer, which shares no drawing code.

Rays through a grid in each pixel meet the plate's plane; a finely painted plate is looked up
there; a Gaussian blurs the samples, and each pixel takes their mean.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt

from bench.geometry.camera import Camera, normalise
from bench.geometry.pose import Pose
from bench.imaging.picture import Region
from bench.targets.drawing import Area, Drawing
from bench.typing import Array

SAMPLES = 10  # a pixel, each way
PAINT_M = 2e-5  # filled polygons reach half of it too far
SHIFT = 8  # binary digits of a painted corner's place


def painted(drawing: Drawing) -> tuple[npt.NDArray[np.uint8], Array]:
    """Return which reflectance lies where, on a grid of `PAINT_M` from the top left, and these."""
    size = (round(drawing.height / PAINT_M), round(drawing.width / PAINT_M))
    paint, levels = np.zeros(size, np.uint8), [drawing.background]
    corner = np.array([-0.5 * drawing.width, 0.5 * drawing.height])
    for shape in drawing.shapes:
        assert isinstance(shape, Area)
        rings = [
            np.rint(((ring - corner) * [1.0, -1.0] / PAINT_M - 0.5) * 2**SHIFT).astype(np.int32)
            for ring in shape.rings
        ]
        if shape.reflectance not in levels:
            levels.append(shape.reflectance)
        cv2.fillPoly(paint, rings, levels.index(shape.reflectance), shift=SHIFT)
    return paint, np.array(levels)


def supersampled(
    drawing: Drawing,
    T_camera_target: Pose,
    camera: Camera,
    blur_px: float,
    gradient: tuple[float, float],
    region: Region,
) -> Array:
    """Return the light (H, W) of each pixel as a share of what reflectance 1 gives at the centre.

    The plate must be flat, of polygons, its blur the same all over it; other parameters as
    `bench.imaging.model.expected_electrons` has them.
    """
    (paint, levels), margin = painted(drawing), math.ceil(4.0 * blur_px) + 1
    offsets = (np.arange(SAMPLES) + 0.5) / SAMPLES - 0.5
    across = np.add.outer(np.arange(-margin, region.width + margin), offsets).ravel() + region.u0
    down = np.add.outer(np.arange(-margin, region.height + margin), offsets).ravel() + region.v0
    light = np.empty((len(down), len(across)), np.float32)
    R, t = T_camera_target.rotation, T_camera_target.translation
    for k, v in enumerate(down):
        xy = normalise(np.column_stack((across, np.full(len(across), v))), camera)
        ray = np.column_stack((xy, np.ones(len(xy))))
        place = ray * (R[:, 2] @ t / (ray @ R[:, 2]))[:, None] - t
        x, y = (place @ R)[:, :2].T
        column = np.floor((x + 0.5 * drawing.width) / PAINT_M).astype(int)
        row = np.floor((0.5 * drawing.height - y) / PAINT_M).astype(int)
        on = (column >= 0) & (column < paint.shape[1]) & (row >= 0) & (row < paint.shape[0])
        seen = np.full(len(x), drawing.background)
        seen[on] = levels[paint[row[on], column[on]]]
        way = (xy - t[:2] / t[2]) * t[2]  # linear in the picture, at the target's distance
        light[k] = seen * (1.0 + way @ gradient)
    cv2.GaussianBlur(light, (0, 0), SAMPLES * blur_px, light)
    means = light.reshape(len(down) // SAMPLES, SAMPLES, -1, SAMPLES).mean(axis=(1, 3))
    return np.asarray(means[margin:-margin, margin:-margin], dtype=np.float64)
