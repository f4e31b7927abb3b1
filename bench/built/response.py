"""First-order response of a pose to a bay's own imperfections, in its three parts.

Camera, print, plate and ink move the picture's points; a least-squares pose follows, see
`bench.solve.response`. Of the camera's part the share that is the same rotation of the camera
frame wherever a target stands is *common* to the tower: registration turns it into the tower's
own rotation and it cancels. What is left, with print, plate and ink, is the plate's *own*: the
same in every picture of it there. The rest of an error belongs to the picture: noise, light, dirt.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import lru_cache

import numpy as np

from bench.built.draws import OneBay, Sizes
from bench.errors import GeometryError
from bench.geometry.camera import (
    Camera,
    lens_shift,
    point_jacobian,
    rotation_columns,
)
from bench.geometry.pose import Pose
from bench.solve.response import (
    PLATE,
    PRINT,
    camera_shift,
    face_moves,
    least_response,
    pose_response,
    target_points,
)
from bench.targets.target import Target
from bench.typing import Array

# Of an even distribution, its standard deviation over its half width (JCGM 100, 4.3.7).
EVEN = 1.0 / math.sqrt(3.0)
# What follows the camera's modes in a row of causes.
FACE = (*PRINT, *PLATE, "ink")


def responses(target: Target, T_camera_target: Pose, camera: Camera, modes: Array) -> Array:
    """Return the pose's change (6, K + 6) of (ω, τ) by the K modes and each of `FACE`.

    Raises
    ------
    GeometryError
        The target has no image.
    numpy.linalg.LinAlgError
        The points don't determine the pose.
    """
    points, moves = _points_and_moves(target)
    p_camera = T_camera_target @ points
    by_place = point_jacobian(p_camera, camera)
    by_point = by_place @ T_camera_target.rotation
    intrinsic = lens_shift(p_camera, camera, modes)
    shift = np.concatenate((intrinsic, by_point @ moves), axis=2)
    jacobian = np.concatenate((rotation_columns(points, by_point), by_place), axis=2).reshape(
        -1, 6
    )
    return least_response(jacobian, shift.reshape(len(jacobian), -1))


@lru_cache(maxsize=64)
def _points_and_moves(target: Target) -> tuple[Array, Array]:
    """Return a target's points (N, 3) and how they move (N, 3, 6) by each of `FACE`."""
    points = target_points(target)
    face = face_moves(points, target.drawing.width, target.drawing.height)
    return points, np.concatenate((face, ink_moves(target)[:, :, None]), axis=2)


def ink_moves(target: Target) -> Array:
    """Return how a target's points (N, 3) move by a metre of ink's spread.

    A marker's corners move outward along both of its sides. A chessboard's corners stay where
    two dark squares touch, and a circle's centre stays.
    """
    if len(target.points):
        return np.zeros((len(target.points), 3))
    corners = np.stack(list(target.markers.values()))
    outward = np.sign(corners - corners.mean(axis=1, keepdims=True)).reshape(-1, 2)
    return np.column_stack((outward, np.zeros(len(outward))))


def size_of_causes(sizes: Sizes) -> Array:
    """Return the standard deviation (K + 6,) of each cause, in the order of `responses`."""
    face = [sizes.print_scale, sizes.print_aspect, *[EVEN * sizes.flatness] * len(PLATE)]
    ink = EVEN * sizes.imperfections.ink_spread
    return np.array([*np.ones(sizes.modes.shape[1]), *face, ink])


def own_covariance(response: Array, sizes: Sizes) -> Array:
    """Return the covariance (6, 6) of (ω, τ) that bays like this one have from their causes.

    What moves points, that is: light, paper and dirt are `bench.built.light_bound`'s.
    """
    if sizes.one is not None:
        # one bay's own error is the same in all its pictures: its square, not a spread
        error = response @ sizes.one.causes
        return np.asarray(np.outer(error, error))
    scaled = response * size_of_causes(sizes)
    return np.asarray(scaled @ scaled.T)


def parts_of(
    response: Array, bay: OneBay, sizes: Sizes, T_camera_target: Pose
) -> tuple[Array, Array]:
    """Return a bay's common and own rotation errors (3,) each, radians, about a target's axes."""
    common = T_camera_target.rotation.T @ (sizes.common @ bay.camera)
    return common, response[:3] @ bay.causes - common


def common_turn(target: Target, poses: Iterable[Pose], camera: Camera, modes: Array) -> Array:
    """Return the rotation (3, K) of the camera frame, radians, that each mode is for all poses.

    The least-squares one: the mean of what the mode turns each target by, about the camera's
    axes. Poses without an image don't count; zeros where none has one.
    """
    points, turns = target_points(target), []
    for pose in poses:
        try:
            shift = camera_shift(points, pose, camera, modes)
            turns.append(pose.rotation @ pose_response(points, pose, camera, shift)[:3])
        except (GeometryError, np.linalg.LinAlgError):
            continue
    return np.mean(turns, axis=0) if turns else np.zeros((3, modes.shape[1]))
