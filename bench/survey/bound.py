"""The best that a case's picture and its bay allow, beside what a pipeline did."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np

from bench.built.light_bound import light_covariance
from bench.built.response import own_covariance
from bench.detect.detection import Detection
from bench.errors import GeometryError
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.region import region_of
from bench.render.planar import MARGIN_PX
from bench.solve.bounds import corner_bound
from bench.solve.covariance import in_facing_frame
from bench.survey.score import Row
from bench.survey.setting import Setting
from bench.typing import Array

# The components of a pose covariance in the facing frame, as columns name them.
NAMES = ("rot_x_deg", "rot_y_deg", "rot_z_deg", "right_mm", "up_mm", "along_mm")
SCALES = np.array([math.degrees(1.0)] * 3 + [1e3] * 3)


def image_bound_columns(
    bound: Callable[[], Array],
    T_camera_target: Pose,
    setting: Setting,
    response: Array | None = None,
    light: Array | None = None,
) -> Row:
    """Return the columns ``bound_*``, of all pixels of the target's face, and ``allowed_*``.

    What a bay allows is that bound and its own imperfections together: of what moves points
    `response` is `bench.built.response.responses`, of light, paper and dirt `light` is that of
    the cell, see `light_of_cell`. Without imperfections it is the bound. `bound` returns the
    picture's, see `bench.survey.cell_bounds`.

    They stay empty where the optics aren't Gaussian, the one blur that the bound knows, and
    where the picture doesn't determine the pose.
    """
    optics = setting.imaging.optics
    if not (optics.is_gaussian and optics.sigma_px > 0.0):
        return {}
    try:
        covariance = bound()
        allowed = in_facing_frame(covariance, T_camera_target)
        row = _columns("bound", allowed)
    except (GeometryError, np.linalg.LinAlgError):
        return {}
    if response is not None and setting.built is not None:
        covariance = covariance + own_covariance(response, setting.built)
        allowed = in_facing_frame(covariance, T_camera_target)
    return row | _columns("allowed", allowed if light is None else allowed + light)


# A worker sees all cells; one takes up to a second, a thousand are 0.3 MB.
@lru_cache(maxsize=1024)
def light_of_cell(
    range_m: float, turn_deg: float, pitch_deg: float, roll_deg: float, setting: Setting
) -> Array | None:
    """Return what (6, 6) light, paper and dirt add to the bound of a cell, facing frame.

    Of its nominal view at the principal point: the pictures of a cell hardly differ in it. None
    where all is as drawn, or that view has no bound.
    """
    camera, imaging, drawing = setting.camera, setting.imaging, setting.target.drawing
    if setting.built is None or not (imaging.optics.is_gaussian and imaging.optics.sigma_px > 0.0):
        return None
    turn, pitch, roll = (math.radians(one) for one in (turn_deg, pitch_deg, roll_deg))
    try:
        T = pose_of_view(View(range_m, turn, pitch, roll, (camera.cx, camera.cy)), camera)
        region = region_of(drawing, T, camera, MARGIN_PX)
        sizes = setting.built.imperfections
        return in_facing_frame(light_covariance(drawing, T, camera, imaging, sizes, region), T)
    except (GeometryError, np.linalg.LinAlgError):
        return None


def corner_bound_columns(T_camera_target: Pose, detection: Detection, camera: Camera) -> Row:
    """Return the columns ``corner_bound_*``: of the points found, with the noise claimed.

    They stay empty where no points were found or they don't determine the pose.
    """
    try:
        covariance = corner_bound(detection.p_target, T_camera_target, camera, detection.sigma_px)
        return _columns("corner_bound", in_facing_frame(covariance, T_camera_target))
    except (GeometryError, np.linalg.LinAlgError, ValueError):
        return {}


def _columns(prefix: str, covariance: Array) -> Row:
    sigma = np.sqrt(np.diag(covariance)) * SCALES
    return {f"{prefix}_{name}": float(s) for name, s in zip(NAMES, sigma, strict=True)}
