"""A map predicted at once, without a picture: bounds and first-order imperfections by cells.

The bound of corners is exact in each cell; the whole image's varies as it does, so that their
ratio at a few ranges and turns, component by component, gives it everywhere. (Siting's own table,
`bench.sighting.image_bound`, serves any direction of tilt and has fewer components.) What bays
are off by answers through the target's points (`bench.built.response`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from bench.built.response import own_covariance, responses
from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.region import region_of
from bench.solve.bounds import corner_bound, image_bound
from bench.solve.covariance import in_facing_frame
from bench.solve.response import target_points
from bench.survey.setting import Setting
from bench.typing import Array

# How many ranges, spread by their ratio, and turns have the image's own bound.
RANGES, TURNS = 5, 4
MARGIN_PX = 4.0


@dataclass(frozen=True, eq=False)
class PredictedMap:
    """Standard deviations of a pose by cells; NaN where the target has no image.

    Attributes
    ----------
    ranges_m, turns_deg : (R,) and (T,) float64
        The cells.
    bound, allowed : (R, T, 6) float64
        Of rotation about the target's x, y, z, radians, and right, up and along, metres: what
        noise leaves, and that with the bay's imperfections, as a survey's columns have them.
    """

    ranges_m: Array
    turns_deg: Array
    bound: Array
    allowed: Array

    @property
    def rotation_deg(self) -> Array:
        """Root mean square (R, T) of the whole rotation that a bay allows, degrees."""
        return np.asarray(np.degrees(np.sqrt(np.sum(self.allowed[..., :3] ** 2, axis=-1))))


def predict_map(
    setting: Setting,
    ranges_m: Sequence[float],
    turns_deg: Sequence[float],
    pitch_deg: float = 0.0,
) -> PredictedMap:
    """Predict a map: some 0.1 s for 12 by 8 cells.

    Over 1.5 to 10 m and turns up to 62 degrees of the shipped camera and target, bounds differ
    from the cells' own by at most 16 %, half of them by less than 2 %; what bays allow by at most
    7 % and 0.2 %.

    Parameters
    ----------
    setting : Setting
        With `built`, imperfections count; without, noise alone does.
    ranges_m, turns_deg : sequences of float
        The cells, ascending.
    pitch_deg : float
        Of all of them. Targets appear on the optical axis.

    Raises
    ------
    GeometryError
        The target has no image in any cell.
    """
    points = target_points(setting.target)

    def pose(range_m: float, turn_deg: float) -> Pose:
        turn, pitch = math.radians(turn_deg), math.radians(pitch_deg)
        return pose_of_view(View(range_m, turn, pitch), setting.camera)

    ratio = _ratio(setting, points, pose, ranges_m, turns_deg)
    found = np.full((2, len(ranges_m), len(turns_deg), 6), np.nan)
    for i, range_m in enumerate(ranges_m):
        for j, turn_deg in enumerate(turns_deg):
            try:
                T_camera_target = pose(range_m, turn_deg)
                bound = _corners(points, T_camera_target, setting)
                bound *= ratio([[math.log(range_m), turn_deg]])[0] ** 2
                allowed = bound
                if setting.built is not None:
                    response = responses(
                        setting.target, T_camera_target, setting.camera, setting.built.modes
                    )
                    own = in_facing_frame(own_covariance(response, setting.built), T_camera_target)
                    allowed = bound + np.diag(own)
            except (GeometryError, np.linalg.LinAlgError):
                continue
            found[:, i, j] = np.sqrt(bound), np.sqrt(allowed)
    return PredictedMap(np.array(ranges_m), np.array(turns_deg), found[0], found[1])


def _corners(points: Array, T_camera_target: Pose, setting: Setting) -> Array:
    """Return the variances (6,) that corners with 1 px allow, in the facing frame."""
    covariance = corner_bound(points, T_camera_target, setting.camera, 1.0)
    return np.diag(in_facing_frame(covariance, T_camera_target)).copy()


def _ratio(
    setting: Setting,
    points: Array,
    pose: Callable[[float, float], Pose],
    ranges_m: Sequence[float],
    turns_deg: Sequence[float],
) -> scipy.interpolate.RegularGridInterpolator:
    """Return the image's bound over the corners', (N, 6), by log range and turn (N, 2)."""
    near, far = min(ranges_m), max(max(ranges_m), 1.01 * min(ranges_m))
    low, high = min(turns_deg), max(max(turns_deg), min(turns_deg) + 1.0)
    ranges, turns = np.geomspace(near, far, RANGES), np.linspace(low, high, TURNS)
    logs = np.full((RANGES, TURNS, 6), np.nan)
    for i, range_m in enumerate(ranges):
        for j, turn_deg in enumerate(turns):
            try:
                T = pose(range_m, turn_deg)
                region = region_of(setting.target.drawing, T, setting.camera, MARGIN_PX)
                best = image_bound(
                    setting.target.drawing, T, setting.camera, setting.imaging, region
                )
                whole = np.diag(in_facing_frame(best, T))
                logs[i, j] = 0.5 * np.log(whole / _corners(points, T, setting))
            except (GeometryError, np.linalg.LinAlgError):
                continue
    return between(np.log(ranges), turns, logs)


def between(x: Array, y: Array, logs: Array) -> scipy.interpolate.RegularGridInterpolator:
    """Return factors, (N, K) at places (N, 2), from their logarithms (X, Y, K) on a grid.

    Where they aren't known, NaN, the nearest that are serve.

    Raises
    ------
    GeometryError
        None are known.
    """
    known = np.all(np.isfinite(logs), axis=-1)
    if not known.any():
        raise GeometryError("the target's picture doesn't determine its pose in any cell")
    nearest = scipy.ndimage.distance_transform_edt(
        ~known, return_distances=False, return_indices=True
    )
    return scipy.interpolate.RegularGridInterpolator((x, y), np.exp(logs[tuple(nearest)]))
