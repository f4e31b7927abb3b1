"""Coordinates of the marks over the live picture and in its scatter plot, for the page's SVG.

Coordinates in the picture count from its top left corner, so that the centre of its first
pixel is at (0.5, 0.5), as SVG has it.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from bench.cameras.overlay_marks import plate_outline, projected
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.picture import Picture
from bench.targets.target import Target
from bench.typing import Array

Points = list[list[float]]
# 95 % of a two-dimensional Gaussian lie within this Mahalanobis distance: its square is
# chi-square with 2 degrees of freedom, whose quantile is -2 ln(1 - p).
REACH_95 = math.sqrt(-2.0 * math.log(0.05))
ELLIPSE_STEPS = 72
AXIS_SHARE = 0.5  # of the pattern: how long its axes are drawn


def in_picture(pixels: Array | None, picture: Picture) -> Points | None:
    """Return sensor pixels (N, 2) as coordinates in the picture, or None for None."""
    if pixels is None:
        return None
    moved = np.round(pixels - (picture.u0, picture.v0) + 0.5, 3)
    return [[float(x), float(y)] for x, y in moved] if np.all(np.isfinite(moved)) else None


def outline(
    target: Target, T_camera_target: Pose, camera: Camera, picture: Picture
) -> Points | None:
    """Return the plate's closed outline as a pose has it; None where it has no image."""
    return in_picture(plate_outline(target, T_camera_target, camera), picture)


def axes(
    target: Target, T_camera_target: Pose, camera: Camera, picture: Picture
) -> dict[str, Points] | None:
    """Return a line for each axis of the target as a pose has it; None without an image."""
    ends = np.vstack([np.zeros(3), AXIS_SHARE * target.extent * np.eye(3)])
    found = in_picture(projected(ends, T_camera_target, camera), picture)
    if found is None:
        return None
    return {name: [found[0], found[i + 1]] for i, name in enumerate("xyz")}


def ellipse(covariance: Array) -> Points | None:
    """Return the ring that holds 95 % of a two-dimensional Gaussian, closed.

    Parameters
    ----------
    covariance : (2, 2) float64
        Of the two quantities drawn across and up.
    """
    if not np.all(np.isfinite(covariance)):
        return None
    variances, directions = np.linalg.eigh(covariance)
    angle = np.linspace(0.0, 2.0 * np.pi, ELLIPSE_STEPS + 1)
    circle = np.vstack((np.cos(angle), np.sin(angle)))
    ring = REACH_95 * directions @ (np.sqrt(np.maximum(variances, 0.0))[:, None] * circle)
    return [[float(x), float(y)] for x, y in ring.T]


def frame_marks(camera: Camera, picture: Picture) -> dict[str, Any]:
    """Return where the picture lies in the camera's whole frame, pixels."""
    rows, columns = picture.grey.shape
    return {
        "width": camera.width,
        "height": camera.height,
        "u0": picture.u0,
        "v0": picture.v0,
        "columns": columns,
        "rows": rows,
    }
