"""Claims of a detector's corners: their scatter, and errors that they share.

A library has errors of its own that no averaging within a picture takes off: it draws corners
inward, or counts pixels from elsewhere than it says. The bench leaves them in, as whoever uses
the library meets them, and claims them: as standard uncertainties of patterns that all corners
follow together (type B, JCGM 100:2008, 4.3). Numbers of bundled detectors are root mean squares
over the shipped survey's grid, ranges of 2.5 to 20 m and turns of 0 to 75 degrees.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from bench.targets.target import Target
from bench.typing import Array


@dataclass(frozen=True)
class CornerClaim:
    """What a marker's corners may be off by, beside a detector's `sigma_px`.

    Attributes
    ----------
    inward_px : float
        Of a shift toward the marker's middle, the same for all corners, pixels.
    common_px : float
        Of a shift of the whole picture, in each coordinate, pixels.
    small_px2 : float
        Of scatter, times the marker's shorter side in the picture, square pixels.
    """

    inward_px: float = 0.0
    common_px: float = 0.0
    small_px2: float = 0.0

    def scatter(self, corners: Array) -> Array:
        """Return further scatter (4 M,) of the corners (4 M, 2) of M markers, pixels."""
        sides = np.linalg.norm(_square(corners) - np.roll(_square(corners), 1, axis=1), axis=2)
        # opposite sides are foreshortened alike
        shorter = np.min(0.5 * (sides[:, :2] + sides[:, 2:]), axis=1)
        return np.repeat(self.small_px2 / np.maximum(shorter, 1.0), 4)

    def shared(self, corners: Array) -> Array:
        """Return the patterns (3, 4 M, 2) that the corners (4 M, 2) of M markers follow."""
        square = _square(corners)
        way = square.mean(axis=1, keepdims=True) - square
        inward = (way / np.linalg.norm(way, axis=2, keepdims=True)).reshape(-1, 2)
        right, down = (np.tile(axis, (len(corners), 1)) for axis in np.eye(2))
        return np.stack((self.inward_px * inward, self.common_px * right, self.common_px * down))


def centroid_shift(target: Target, centres: Array) -> Array:
    """Return what centroids of circles' pictures are off by, the pattern (1, N, 2), pixels.

    A circle's picture is an ellipse, and under perspective the picture of the circle's centre
    isn't the ellipse's (Heikkilä 2000, doi:10.1109/34.879788, equation 12). The dual conic of the
    circle, carried over by the homography of all centres, has the ellipse's centre in its last
    column (Hartley and Zisserman 2004, result 2.14 and section 2.2.3).

    Parameters
    ----------
    target : Target
        A grid of circles.
    centres : (N, 2) float64
        Where they were found, pixels, in the order of ``target.points``.
    """
    radius = target.drawing.discs()[0][0, 2]
    homography, _ = cv2.findHomography(target.points, centres)
    if homography is None:
        return np.zeros((0, len(centres), 2))
    ahead = np.column_stack((target.points, np.ones(len(centres))))
    # the dual conic of a circle about c: c cᵀ with -r² on the first two of the diagonal
    dual = ahead[:, :, None] * ahead[:, None, :] - radius**2 * np.diag((1.0, 1.0, 0.0))
    last = (homography @ dual @ homography.T)[:, :, 2]
    seen = ahead @ homography.T
    return np.asarray(last[:, :2] / last[:, 2:] - seen[:, :2] / seen[:, 2:])[None]


def _square(corners: Array) -> Array:
    return corners.reshape(-1, 4, 2)
