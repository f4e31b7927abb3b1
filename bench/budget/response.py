"""What a pose does when a camera or a target isn't what it is taken for.

Each cause moves the picture's points; a least-squares pose follows by (JᵀJ)⁻¹Jᵀ. So every
reading of a target, those of the bar during registration included, answers the same cause in
its own way, and what cancels between them cancels.
"""

from __future__ import annotations

import math

import numpy as np

from bench.geometry.camera import Camera, intrinsics_jacobian, point_jacobian, pose_jacobian
from bench.geometry.pose import Pose
from bench.targets.target import Target
from bench.typing import Array

# Of a camera: relative focal length, relative aspect, principal point (pixels), distortion
# (pixels at the picture's corner).
CAMERA = ("focal", "aspect", "cx", "cy", "distortion")
# Of the print: relative scale and relative height over width.
PRINT = ("scale", "print aspect")
# Of a plate: bow across, bow up, twist; metres at its corners.
PLATE = ("bow across", "bow up", "twist")


def target_points(target: Target) -> Array:
    """Return the points (N, 3) whose pixels give a target's pose, metres."""
    xy = target.points if len(target.points) else np.vstack(list(target.markers.values()))
    return np.column_stack((xy, np.zeros(len(xy))))


def camera_shift(p_target: Array, T_camera_target: Pose, camera: Camera) -> Array:
    """Return the picture's change (2 N, 5), pixels, by each of `CAMERA`."""
    by = intrinsics_jacobian(T_camera_target @ p_target, camera)
    corner = math.hypot(camera.width / camera.fx, camera.height / camera.fy) / 2.0
    columns = (
        camera.fx * by[:, :, 0] + camera.fy * by[:, :, 1],
        0.5 * (camera.fy * by[:, :, 1] - camera.fx * by[:, :, 0]),
        by[:, :, 2],
        by[:, :, 3],
        by[:, :, 4] / (camera.fx * corner**3),
    )
    return np.stack(columns, axis=-1).reshape(-1, len(CAMERA))


def face_shift(p_target: Array, T_camera_target: Pose, camera: Camera, target: Target) -> Array:
    """Return the picture's change (2 N, 5), pixels, by each of `PRINT` and `PLATE`."""
    x, y = p_target[:, 0], p_target[:, 1]
    across = x / (0.5 * target.drawing.width)
    up = y / (0.5 * target.drawing.height)
    moved = np.zeros((len(p_target), 3, len(PRINT) + len(PLATE)))
    moved[:, 0, 0], moved[:, 1, 0] = x, y
    moved[:, 0, 1], moved[:, 1, 1] = -0.5 * x, 0.5 * y
    moved[:, 2, 2], moved[:, 2, 3], moved[:, 2, 4] = across**2, up**2, across * up
    by_point = point_jacobian(T_camera_target @ p_target, camera) @ T_camera_target.rotation
    return np.asarray(by_point @ moved).reshape(-1, moved.shape[-1])


def pose_response(p_target: Array, T_camera_target: Pose, camera: Camera, shift: Array) -> Array:
    """Return the pose's change (6, K) of (ω, τ) by the picture's change (2 N, K).

    Raises
    ------
    numpy.linalg.LinAlgError
        The points don't determine the pose.
    """
    jacobian = pose_jacobian(p_target, T_camera_target, camera).reshape(-1, 6)
    scale = np.sqrt(np.sum(jacobian**2, axis=0))
    solved = np.linalg.lstsq(jacobian / scale, shift, rcond=None)[0]
    return np.asarray(solved / scale[:, None])
