"""Points on a plane, where they were seen, and the homography: what every solver starts from.

A point set that no pose can be found from is told here, once for all solvers.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from bench.detect.detection import Detection
from bench.errors import GeometryError
from bench.geometry.camera import Camera, normalise
from bench.typing import Array

# Four points, no three of them on a line, determine a homography; a pose from three has up to
# four solutions.
MIN_POINTS = 4
# Of the smallest to the largest singular value of the homography's equations, scaled to the
# size of the point set. Rounding leaves 1e-16 where points are collinear or coincide; a target
# tilted by 89.9 degrees leaves 1e-3.
RANK_RATIO = 1e-10


@dataclass(frozen=True, eq=False)
class PlanarPoints:
    """Points of a plane in general position.

    Attributes
    ----------
    p_target : (N, 3) float64
        In the target frame, metres; z is 0.
    pixels : (N, 2) float64
        Where they were found.
    xy : (N, 2) float64
        The same without lens distortion, normalised.
    homography : (3, 3) float64
        From (x, y) relative to `centroid` to `xy`; its last element is 1.
    centroid : (2,) float64
        Of the points in the target's plane, metres.
    more_px, shared : (N,), (K, N, 2) float64
        What they may be off by besides scatter: see `bench.detect.detection.Detection`; empty
        for nothing.
    """

    p_target: Array
    pixels: Array
    xy: Array
    homography: Array
    centroid: Array
    more_px: Array = field(default_factory=lambda: np.empty(0))
    shared: Array = field(default_factory=lambda: np.empty((0, 0, 2)))


def planar_points(detection: Detection, camera: Camera) -> PlanarPoints | None:
    """Return a detection's points, or None where they are too few or degenerate.

    Degenerate: not finite, outside the lens model's domain, or with fewer than four points of
    which no three lie on a line.
    """
    p_target = np.array(detection.p_target, dtype=np.float64, order="C")
    pixels = np.array(detection.pixels, dtype=np.float64, order="C")
    if len(p_target) < MIN_POINTS or not np.all(np.isfinite(pixels)):
        return None
    try:
        xy = normalise(pixels, camera)
    except GeometryError:
        return None
    centroid = p_target[:, :2].mean(axis=0)
    homography = plane_homography(p_target[:, :2] - centroid, xy)
    if homography is None:
        return None
    return PlanarPoints(
        p_target, pixels, xy, homography, centroid, detection.more_px, detection.shared
    )


def plane_homography(plane: Array, xy: Array) -> Array | None:
    """Return the homography (3, 3) from plane points to picture points, both (N, 2).

    Least squares on the linear equations (direct linear transform, Hartley and Zisserman 2004,
    section 4.1) after scaling both sets (section 4.4), with the last element fixed at 1: `plane`
    must have its origin amid its points, so that it is seen. Exact for four points. None where
    the points don't determine it.
    """
    centre = xy.mean(axis=0)
    spread_plane = np.sqrt(np.mean(plane * plane))
    offset = xy - centre
    spread_xy = np.sqrt(np.mean(offset * offset))
    if not (spread_plane > 0.0 and spread_xy > 0.0):
        return None
    source, image = plane / spread_plane, offset / spread_xy
    equations = np.zeros((2, len(source), 8))
    equations[0, :, :2] = equations[1, :, 3:5] = source
    equations[0, :, 2] = equations[1, :, 5] = 1.0
    equations[..., 6:] = -image.T[:, :, None] * source
    solution, _, rank, _ = np.linalg.lstsq(
        equations.reshape(-1, 8), image.T.reshape(-1), rcond=RANK_RATIO
    )
    if rank < 8:
        return None
    homography = np.append(solution, 1.0).reshape(3, 3)
    homography[:, :2] /= spread_plane
    homography[:2] = spread_xy * homography[:2] + np.outer(centre, homography[2])
    return homography
