"""Rotations: elementary matrices, rotation vectors, angles between directions."""

import math

import numpy as np
import scipy

from bench.errors import GeometryError
from bench.typing import Array

# A matrix further than this from orthonormal isn't a rotation with rounding error but a
# mistake: products of a thousand float64 rotations stay below 1e-12.
ORTHONORMAL_ATOL = 1e-9


def check_rotation(matrix: Array) -> Array:
    """Return `matrix` as a (3, 3) float64 rotation, or raise.

    Raises
    ------
    GeometryError
        Not 3 by 3, not finite, not orthonormal or a reflection.
    """
    matrix = np.asarray(matrix, dtype=np.float64)
    if matrix.shape != (3, 3) or not np.all(np.isfinite(matrix)):
        raise GeometryError(f"a rotation is a finite 3 x 3 matrix, got shape {matrix.shape}")
    if np.max(np.abs(matrix @ matrix.T - np.eye(3))) > ORTHONORMAL_ATOL:
        raise GeometryError("a rotation matrix must be orthonormal")
    if np.linalg.det(matrix) < 0:
        raise GeometryError("a rotation matrix must not be a reflection")
    return matrix


def skew(v: Array) -> Array:
    """Return the matrices (..., 3, 3) with ``skew(v) @ w == cross(v, w)`` of vectors (..., 3)."""
    x, y, z = np.moveaxis(np.asarray(v, dtype=np.float64), -1, 0)
    zero = np.zeros_like(x)
    rows = (zero, -z, y, z, zero, -x, -y, x, zero)
    return np.stack(rows, axis=-1).reshape(*np.shape(v), 3)


def rotation_x(angle: float) -> Array:
    """Return the right-handed rotation by `angle` radians about x, (3, 3)."""
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])


def rotation_y(angle: float) -> Array:
    """Return the right-handed rotation by `angle` radians about y, (3, 3)."""
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


def rotation_z(angle: float) -> Array:
    """Return the right-handed rotation by `angle` radians about z, (3, 3)."""
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def exp_rotvec(rotvec: Array) -> Array:
    """Return the rotation matrices (..., 3, 3) of rotation vectors (..., 3), radians."""
    return np.asarray(
        scipy.spatial.transform.Rotation.from_rotvec(rotvec).as_matrix(), dtype=np.float64
    )


def log_rotation(matrix: Array) -> Array:
    """Return the rotation vector (3,), radians, norm at most pi, of a matrix (3, 3)."""
    return np.asarray(
        scipy.spatial.transform.Rotation.from_matrix(matrix).as_rotvec(), dtype=np.float64
    )


def angle_between(a: Array, b: Array) -> float:
    """Return the angle in radians, 0 to pi, between two non-zero vectors (3,).

    Uses atan2 of cross and dot product, accurate near 0 and pi where arccos isn't.
    """
    ax, ay, az = (float(v) for v in a)
    bx, by, bz = (float(v) for v in b)
    cross = math.hypot(ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx)
    return math.atan2(cross, ax * bx + ay * by + az * bz)
