"""Changes of a pose by errors of the camera and of the target, to first order.

Each cause moves the picture's points; a least-squares pose follows by (JᵀJ)⁻¹Jᵀ. So every
reading of a target, those of the bar during registration included, answers the same cause in
its own way, and what cancels between them cancels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.geometry.camera import Camera, lens_shift, point_jacobian, pose_jacobian
from bench.geometry.pose import Pose
from bench.targets.bend import bend_modes
from bench.targets.target import Target
from bench.typing import Array

# Of the print: relative scale and relative height over width.
PRINT = ("scale", "print aspect")
# Of a plate: bow across, bow up, twist; metres at its corners.
PLATE = ("bow across", "bow up", "twist")


def target_points(target: Target) -> Array:
    """Return the points (N, 3) whose pixels give a target's pose, metres."""
    xy = target.points if len(target.points) else np.vstack(list(target.markers.values()))
    return np.column_stack((xy, np.zeros(len(xy))))


@dataclass(frozen=True, eq=False)
class CameraErrors:
    """What isn't known of a camera.

    Attributes
    ----------
    modes : (P, K) float64
        Change of fx, fy, cx, cy, k1, k2, p1, p2, k3 (a wide lens may have its k4 to k6 too) by
        one standard deviation of each of K independent, normal causes: modes modesᵀ is the
        covariance of the parameters.
    source : str
        Where that is from, in words; empty where it is assumed.
    """

    modes: Array
    source: str = ""


def calibrated_errors(covariance: Array, source: str) -> CameraErrors:
    """Return the errors that a calibration's covariance makes, one mode a direction.

    Directions that were held, or whose variance is rounding's, have none.
    """
    scale = np.sqrt(np.where(np.diag(covariance) > 0.0, np.diag(covariance), 1.0))
    values, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    kept = values > len(scale) * np.finfo(np.float64).eps * values[-1]
    return CameraErrors(scale[:, None] * vectors[:, kept] * np.sqrt(values[kept]), source)


def camera_shift(p_target: Array, T_camera_target: Pose, camera: Camera, modes: Array) -> Array:
    """Return the picture's change (2 N, K), pixels, by each mode (P, K) of the intrinsics."""
    return lens_shift(T_camera_target @ p_target, camera, modes).reshape(-1, modes.shape[1])


def focal_mode(camera: Camera, count: int) -> Array:
    """Return the change (P, 1) of P intrinsics by a relative change of the focal length."""
    mode = np.zeros((count, 1))
    mode[:2, 0] = camera.fx, camera.fy
    return mode


def face_shift(p_target: Array, T_camera_target: Pose, camera: Camera, target: Target) -> Array:
    """Return the picture's change (2 N, 5), pixels, by each of `PRINT` and `PLATE`."""
    moved = face_moves(p_target, target.drawing.width, target.drawing.height)
    by_point = point_jacobian(T_camera_target @ p_target, camera) @ T_camera_target.rotation
    return np.asarray(by_point @ moved).reshape(-1, moved.shape[-1])


def face_moves(p_target: Array, width: float, height: float) -> Array:
    """Return how points (N, 3) of a plate move (N, 3, 5), by each of `PRINT` and `PLATE`."""
    x, y = p_target[:, 0], p_target[:, 1]
    moved = np.zeros((len(p_target), 3, len(PRINT) + len(PLATE)))
    moved[:, 0, 0], moved[:, 1, 0] = x, y
    moved[:, 0, 1], moved[:, 1, 1] = -0.5 * x, 0.5 * y
    moved[:, 2, 2:] = bend_modes(p_target, width, height)
    return moved


def pose_response(p_target: Array, T_camera_target: Pose, camera: Camera, shift: Array) -> Array:
    """Return the pose's change (6, K) of (ω, τ) by the picture's change (2 N, K).

    Raises
    ------
    numpy.linalg.LinAlgError
        The points don't determine the pose.
    """
    return least_response(pose_jacobian(p_target, T_camera_target, camera).reshape(-1, 6), shift)


def least_response(jacobian: Array, shift: Array) -> Array:
    """Return what changes (M, K) of the picture do by least squares, J (M, 6); as above."""
    scale = np.sqrt(np.sum(jacobian**2, axis=0))
    solved = np.linalg.lstsq(jacobian / scale, shift, rcond=None)[0]
    return np.asarray(solved / scale[:, None])
