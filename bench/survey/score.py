"""Scoring: the one place where truth and estimate meet.

Errors are split twice: rotation about the target's own axes (rotation vector of
``R_true^T R_est``), translation in the facing frame of the true line of sight (right, up,
along; positive along means that the estimate lies too far away).
"""

from __future__ import annotations

import math

import numpy as np

from bench.detect.detection import Detection
from bench.geometry.pose import Pose
from bench.geometry.rotation import angle_between, log_rotation
from bench.geometry.viewing import facing_rotation, mirrored_normal, tilt_of_pose, view_of_pose
from bench.solve.estimate import Estimate, Outcome
from bench.tables import finite_or_none
from bench.typing import Array

# Below this true tilt a target has no second pose to be mistaken for: the two normals that
# look alike are 2 x tilt apart and merge at 0, so an estimate on the far side of the line of
# sight is noise about one pose and stays in the RMS. Above it, an estimate nearer to the
# mirrored normal is off by more than the tilt itself, at least these degrees: no tolerance
# forgives that, so counting it by name hides nothing. The value lies above the tilt that a
# nominally face-on cell's own variation reaches (sqrt(2) degrees by default), so that such a
# cell speaks of one kind of error only.
MIN_MIRROR_TILT_DEG = 3.0

Row = dict[str, float | int | str | bool | None]


def is_mirrored(T_camera_target_true: Pose, T_camera_target_est: Pose) -> bool:
    """Tell whether an estimate sits on the other branch of the planar two-fold ambiguity.

    True where the estimated normal is nearer to the mirrored true normal than to the true one
    and the true tilt is at least `MIN_MIRROR_TILT_DEG`.
    """
    if tilt_of_pose(T_camera_target_true) < math.radians(MIN_MIRROR_TILT_DEG):
        return False
    normal = T_camera_target_est.rotation[:, 2]
    to_mirrored = angle_between(normal, mirrored_normal(T_camera_target_true))
    return to_mirrored < angle_between(normal, T_camera_target_true.rotation[:, 2])


def rotation_error(T_camera_target_true: Pose, T_camera_target_est: Pose) -> Array:
    """Return the rotation error (3,), radians, about the target's own axes."""
    return log_rotation(T_camera_target_true.rotation.T @ T_camera_target_est.rotation)


def translation_error(T_camera_target_true: Pose, T_camera_target_est: Pose) -> Array:
    """Return the translation error (3,), metres: right, up, along the line of sight."""
    error = T_camera_target_est.translation - T_camera_target_true.translation
    return _facing_axes(T_camera_target_true).T @ error


def _facing_axes(T_camera_target: Pose) -> Array:
    """Return right, up and along (away from the camera) as columns, camera frame."""
    axes = facing_rotation(T_camera_target.translation)
    return axes * (1.0, 1.0, -1.0)


def score(T_camera_target_true: Pose, detection: Detection, estimate: Estimate) -> Row:
    """Join truth and estimate of one case.

    Returns
    -------
    dict
        The columns of cases from `outcome` on; see `bench.survey.columns`. Errors and the
        estimate's own numbers are None where there is no pose. A mirrored or ambiguous case
        keeps its errors, for those who want to look; cells leave them out.
    """
    T_est = estimate.T_camera_target_est
    outcome = estimate.outcome
    if outcome is Outcome.OK and T_est is None:
        outcome = Outcome.NOT_FINITE  # a solver that breaks its contract
    if outcome is Outcome.OK and T_est is not None and is_mirrored(T_camera_target_true, T_est):
        outcome = Outcome.MIRRORED
    row: Row = {"outcome": str(outcome), "n_points": len(detection.pixels)}
    if T_est is None:
        return row
    rotation = np.degrees(rotation_error(T_camera_target_true, T_est))
    right, up, along = 1e3 * translation_error(T_camera_target_true, T_est)
    view = view_of_pose(T_est)
    row |= {
        "err_rot_x_deg": float(rotation[0]),
        "err_rot_y_deg": float(rotation[1]),
        "err_rot_z_deg": float(rotation[2]),
        "err_rot_deg": float(np.linalg.norm(rotation)),
        "err_right_mm": float(right),
        "err_up_mm": float(up),
        "err_along_mm": float(along),
        "range_est_m": view.range_m,
        "turn_est_deg": math.degrees(view.turn),
        "pitch_est_deg": math.degrees(view.pitch),
        "roll_est_deg": math.degrees(view.roll),
    }
    return row | _residuals(estimate) | _claimed(estimate, T_est)


def _residuals(estimate: Estimate) -> Row:
    rmse, second = estimate.rmse_px, estimate.runner_up_rmse_px
    return {
        "rmse_px": finite_or_none(rmse),
        "runner_up_rmse_px": finite_or_none(second),
        "ratio": finite_or_none(second / rmse) if rmse > 0.0 else None,
        "chi_square": finite_or_none(estimate.chi_square),
        "degrees": finite_or_none(estimate.degrees),
        "blur_px": finite_or_none(estimate.blur_px),
    }


def _claimed(estimate: Estimate, T_camera_target_est: Pose) -> Row:
    """Return the claimed standard uncertainties, split as errors are."""
    if estimate.covariance is None:
        return {}
    covariance = np.asarray(estimate.covariance, dtype=np.float64)
    axes = _facing_axes(T_camera_target_est)
    position = np.diag(axes.T @ covariance[3:, 3:] @ axes)
    variances = np.concatenate((np.diag(covariance)[:3], position))
    # a negative variance is a plug-in's mistake; it is shown as no claim
    sigma = np.sqrt(np.where(variances >= 0.0, variances, np.nan))
    names = ("rot_x_deg", "rot_y_deg", "rot_z_deg", "right_mm", "up_mm", "along_mm")
    scales = np.array([math.degrees(1.0)] * 3 + [1e3] * 3)
    return {
        f"sigma_{name}": finite_or_none(value)
        for name, value in zip(names, sigma * scales, strict=True)
    }
