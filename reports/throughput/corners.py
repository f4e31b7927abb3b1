"""How far off a picture's corners are: lines fitted to the edges of a black square.

Across an edge between two even areas the sum of a row's grey values tells where, on average over
the row, the edge lies: exactly so in a picture of exact coverage, whatever the edge's slope. The
places of many rows make a line, two lines a corner. No smoothing, no detector: what is left is
the picture's own error.
"""

from __future__ import annotations

import numpy as np

from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.imaging.picture import Region
from bench.targets.target import Target
from bench.typing import Array

HALF = 4  # pixels taken on either side of an edge; an edge at 45° crosses one pixel in a row
SKIP = 6.0  # pixels left out at each end of an edge, where another edge comes into reach


def corner_errors(
    grey: Array, region: Region, target: Target, T_camera_target: Pose, camera: Camera
) -> Array:
    """Return the distances (4,), pixels, of fitted corners from true ones.

    Parameters
    ----------
    grey : (H, W) float64
        Picture without blur or noise.
    region : Region
        Where on the sensor it lies.
    target : Target
        A single marker, its cells wider than `HALF` + 1 pixels.
    T_camera_target, camera : Pose, Camera
        The truth; no distortion.
    """
    xy = next(iter(target.markers.values()))
    true = project(np.column_stack((xy, np.zeros(4))), T_camera_target, camera)
    true = true - (region.u0, region.v0)
    lines = [_fit_line(grey, true[i], true[(i + 1) % 4]) for i in range(4)]
    found = np.array([np.cross(lines[i - 1], lines[i]) for i in range(4)])
    return np.asarray(np.linalg.norm(found[:, :2] / found[:, 2:] - true, axis=1))


def _fit_line(grey: Array, start: Array, end: Array) -> Array:
    """Return the line (3,), a u + b v + c = 0, of the edge near two points."""
    steep = abs(end[1] - start[1]) >= abs(end[0] - start[0])
    if not steep:  # look along columns in place of rows
        grey, start, end = grey.T, start[::-1], end[::-1]
    low, high = sorted((start[1], end[1]))
    rows = np.arange(int(np.ceil(low + SKIP)), int(np.floor(high - SKIP)) + 1)
    slope = (end[0] - start[0]) / (end[1] - start[1])
    first = np.rint(start[0] + slope * (rows - start[1])).astype(int) - HALF
    window = grey[rows[:, None], first[:, None] + np.arange(2 * HALF + 1)]
    left, right = window[:, :1], window[:, -1:]
    share = ((window - right) / (left - right)).sum(axis=1)  # pixels' worth left of the edge
    place = first - 0.5 + share
    slope, offset = np.polyfit(rows, place, 1)
    return np.array([1.0, -slope, -offset] if steep else [-slope, 1.0, -offset])
