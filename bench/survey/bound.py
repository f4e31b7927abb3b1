"""The best that a case's picture and its bay allow, beside what a pipeline did."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from bench.built.response import own_covariance
from bench.detect.detection import Detection
from bench.errors import GeometryError
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
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
) -> Row:
    """Return the columns ``bound_*``, of all pixels of the target's face, and ``allowed_*``.

    What a bay allows is that bound and its own imperfections together, of which `response` is
    `bench.built.response.responses`; without imperfections the bound. `bound` returns the
    picture's, see `bench.survey.cell_bounds`.

    They stay empty where the optics aren't Gaussian, the one blur that the bound knows, and
    where the picture doesn't determine the pose.
    """
    optics = setting.imaging.optics
    if not (optics.is_gaussian and optics.sigma_px > 0.0):
        return {}
    try:
        covariance = bound()
        row = _columns("bound", in_facing_frame(covariance, T_camera_target))
    except (GeometryError, np.linalg.LinAlgError):
        return {}
    if response is not None and setting.built is not None:
        covariance = covariance + own_covariance(response, setting.built)
    return row | _columns("allowed", in_facing_frame(covariance, T_camera_target))


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
