"""Uncertainty of a calibrated camera's projection over the picture and with range.

A point is held fast in the world that the boards' poses span, and the lens is off by what its
covariance says: its image moves by what the lens changes, less what the poses give back. So the
uncertainty is least where boards were held, and grows beyond their place in the frame and beyond
their range. The point moves with the mean of all boards, as mrcal has it (its documentation,
"uncertainty", from memory); an error of the lens that every pose absorbs then counts only as far
as it shows. The poses' own noise is left out: a later pose has its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.cameras.intrinsics import Calibration
from bench.cameras.lenses import predict
from bench.errors import GeometryError
from bench.geometry.camera import Camera, ray
from bench.geometry.uncertain import point_response
from bench.typing import Array

# Of the far range over the boards' median: the rotation is all that is left of a pose to 0.1 %.
FAR = 1000.0


@dataclass(frozen=True, eq=False)
class ProjectionMap:
    """Standard uncertainty of a projected point over the frame.

    Attributes
    ----------
    u, v : (C,), (R,) float64
        Pixels of the grid's columns and rows.
    ranges_m : (K,) float64
        Distances of the point from the camera.
    sigma_px : (K, R, C) float64
        Standard uncertainty in the direction in which it is largest; NaN where the lens model
        has no ray.
    """

    u: Array
    v: Array
    ranges_m: Array
    sigma_px: Array


def board_ranges(calibration: Calibration) -> Array:
    """Return the boards' nearest, median and farthest range, and one far beyond (4,), metres."""
    ranges = [float(np.linalg.norm(pose.translation)) for pose in calibration.poses]
    near, middle, far = np.min(ranges), np.median(ranges), np.max(ranges)
    return np.array([near, middle, far, FAR * middle])


def frame_grid(camera: Camera, columns: int = 24) -> tuple[Array, Array]:
    """Return pixels of a grid's columns and rows, from edge to edge of the frame."""
    rows = max(2, round(columns * camera.height / camera.width))
    return np.linspace(0, camera.width - 1, columns), np.linspace(0, camera.height - 1, rows)


def rays_of(pixels: Array, camera: Camera) -> Array:
    """Return unit directions (N, 3) of pixels (N, 2); NaN where the lens model has none."""
    try:
        return ray(pixels, camera)
    except GeometryError:
        pass
    found = np.full((len(pixels), 3), math.nan)
    for i, pixel in enumerate(pixels):
        try:
            found[i] = ray(pixel[None], camera)[0]
        except GeometryError:
            continue
    return found


def projection_map(calibration: Calibration, columns: int = 24) -> ProjectionMap:
    """Return the standard uncertainty of a projected point over the frame, at `board_ranges`.

    Parameters
    ----------
    calibration : Calibration
    columns : int
        Of the grid.
    """
    ranges = board_ranges(calibration)
    u, v = frame_grid(calibration.camera, columns)
    pixels = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    directions = rays_of(pixels, calibration.camera)
    known = np.isfinite(directions[:, 0])
    sigma = np.full((len(ranges), len(pixels)), math.nan)
    for k, distance in enumerate(ranges):
        covariance = projected_covariance(calibration, distance * directions[known])
        sigma[k, known] = np.sqrt(np.linalg.eigvalsh(covariance)[:, -1])
    return ProjectionMap(u, v, ranges, sigma.reshape(len(ranges), len(v), len(u)))


def projected_covariance(calibration: Calibration, p_camera: Array) -> Array:
    """Return the covariance (N, 2, 2), pixels², of the images of points (N, 3), camera frame.

    Raises
    ------
    GeometryError
        The calibration doesn't hold what it was adjusted from.
    """
    state = calibration.state
    if state is None:
        raise GeometryError("the calibration doesn't hold its views")
    _, by_lens, by_point = predict(state.family, state.values, p_camera)
    n_views = len(state.poses)
    moved = np.zeros((len(p_camera), 3, state.n_shared))
    for pose, row in zip(state.poses, calibration.rows, strict=True):
        by_pose = point_response(pose, pose.inverse() @ p_camera)
        moved += by_pose @ row.pose_response / n_views
    lens = np.concatenate(
        (by_lens @ state.basis, np.zeros((len(p_camera), 2, len(state.shape)))), axis=2
    )
    by_shared = lens + by_point @ moved
    return np.asarray(by_shared @ calibration.joint @ by_shared.transpose(0, 2, 1))


def projection_words(found: ProjectionMap) -> str:
    """Return what a map says, in one line."""
    middle, far = found.sigma_px[len(found.ranges_m) // 2 - 1], found.sigma_px[-1]
    return (
        f"a projected point is known to {np.nanmin(middle):.2g} px where it is known best and "
        f"{np.nanmax(middle):.2g} px where worst at the boards' median range "
        f"({found.ranges_m[len(found.ranges_m) // 2 - 1]:.3g} m), to {np.nanmin(far):.2g} and "
        f"{np.nanmax(far):.2g} px far away (standard uncertainty)"
    )
