"""Rotations: elementary matrices, rotation vectors, angles between directions."""

import math

import numpy as np

from bench.errors import GeometryError
from bench.kernel import kernel
from bench.typing import Array

# A matrix further than this from orthonormal isn't a rotation with rounding error but a
# mistake: products of a thousand float64 rotations stay below 1e-12.
ORTHONORMAL_ATOL = 1e-9
SMALL_ANGLE = 1e-3  # radians: below, ratios are taken from their series


def check_rotation(matrix: Array) -> Array:
    """Return a copy of `matrix`, a (3, 3) float64 rotation, or raise.

    Raises
    ------
    GeometryError
        Not 3 by 3, not finite, not orthonormal or a reflection.
    """
    matrix = np.array(matrix, dtype=np.float64, order="C")
    fault = _fault(matrix) if matrix.shape == (3, 3) else 1
    if fault == 1:
        raise GeometryError(f"a rotation is a finite 3 x 3 matrix, got shape {matrix.shape}")
    if fault == 2:
        raise GeometryError("a rotation matrix must be orthonormal")
    if fault == 3:
        raise GeometryError("a rotation matrix must not be a reflection")
    return matrix


@kernel
def _fault(m: Array) -> int:
    """Return why a matrix isn't a rotation, 0 where it is: every pose comes by here."""
    for i in range(3):
        for j in range(i + 1):
            off = m[i, 0] * m[j, 0] + m[i, 1] * m[j, 1] + m[i, 2] * m[j, 2]
            if not np.isfinite(m[i, 0] + m[i, 1] + m[i, 2]):
                return 1
            if abs(off - (1.0 if i == j else 0.0)) > ORTHONORMAL_ATOL:
                return 2
    along_x = m[0, 0] * (m[1, 1] * m[2, 2] - m[1, 2] * m[2, 1])
    along_y = m[0, 1] * (m[1, 2] * m[2, 0] - m[1, 0] * m[2, 2])
    along_z = m[0, 2] * (m[1, 0] * m[2, 1] - m[1, 1] * m[2, 0])
    return 0 if along_x + along_y + along_z >= 0.0 else 3


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
    rotvec = np.array(rotvec, dtype=np.float64, order="C")
    turned = np.empty((rotvec.size // 3, 3, 3))
    _exp(rotvec.reshape(-1, 3), turned)
    return turned.reshape(*rotvec.shape, 3)


def right_jacobian(rotvec: Array) -> Array:
    """Return J (..., 3, 3) with exp(r + d) = exp(r) exp(J d) to first order in d.

    Chirikjian 2012, "Stochastic Models, Information Theory, and Lie Groups" 2, eq. 10.86.
    """
    cross = skew(rotvec)
    angle2 = np.sum(np.square(rotvec), axis=-1)[..., None, None]
    small = angle2 < 1e-8  # two terms of each series: the next are 1e-16 and less
    square = np.where(small, 1.0, angle2)
    angle = np.sqrt(square)
    a = np.where(small, 0.5 - angle2 / 24.0, (1.0 - np.cos(angle)) / square)
    b = np.where(small, 1.0 / 6.0 - angle2 / 120.0, (angle - np.sin(angle)) / (square * angle))
    return np.asarray(np.eye(3) - a * cross + b * cross @ cross)


def log_rotation(matrix: Array) -> Array:
    """Return the rotation vector (3,), radians, norm at most pi, of a matrix (3, 3)."""
    return _log(np.array(matrix, dtype=np.float64, order="C"))


@kernel
def _exp(rotvec: Array, out: Array) -> None:
    """Fill `out` (N, 3, 3) by the formula of Rodrigues; a small angle's series end at 1e-20."""
    for n in range(len(rotvec)):
        x, y, z = rotvec[n, 0], rotvec[n, 1], rotvec[n, 2]
        square = x * x + y * y + z * z
        a, b = 1.0 - square / 6.0, 0.5 - square / 24.0 + square * square / 720.0
        a += square * square / 120.0
        if square > SMALL_ANGLE**2:
            angle = math.sqrt(square)
            a, b = math.sin(angle) / angle, 2.0 * (math.sin(0.5 * angle) / angle) ** 2
        out[n, 0, 0], out[n, 0, 1], out[n, 0, 2] = 0.0, b * x * y - a * z, b * x * z + a * y
        out[n, 1, 0], out[n, 1, 1], out[n, 1, 2] = b * x * y + a * z, 0.0, b * y * z - a * x
        out[n, 2, 0], out[n, 2, 1], out[n, 2, 2] = b * x * z - a * y, b * y * z + a * x, 0.0
        out[n, 0, 0] = 1.0 - b * (y * y + z * z)
        out[n, 1, 1] = 1.0 - b * (x * x + z * z)
        out[n, 2, 2] = 1.0 - b * (x * x + y * y)


@kernel
def _log(m: Array) -> Array:
    """Return the rotation vector, by the quaternion from its largest part (Shepperd 1978).

    Antisymmetric parts give small angles without loss; doi:10.2514/3.55767b.
    """
    trace = m[0, 0] + m[1, 1] + m[2, 2]
    q, w = np.empty(3), 1.0 + trace
    q[0], q[1], q[2] = m[2, 1] - m[1, 2], m[0, 2] - m[2, 0], m[1, 0] - m[0, 1]
    i = 0
    for other in range(1, 3):
        i = other if m[other, other] > m[i, i] else i
    if m[i, i] > trace:
        j, k = (i + 1) % 3, (i + 2) % 3
        w = m[k, j] - m[j, k]
        q[i] = 1.0 - trace + 2.0 * m[i, i]
        q[j], q[k] = m[j, i] + m[i, j], m[k, i] + m[i, k]
    if w < 0.0:
        q, w = -q, -w
    along = math.sqrt(q[0] * q[0] + q[1] * q[1] + q[2] * q[2])
    if along <= SMALL_ANGLE * w:  # 2 atan(t)/t
        t2 = (along / w) ** 2
        scale = 2.0 / w * (1.0 - t2 / 3.0 + t2 * t2 / 5.0)
    else:
        scale = 2.0 * math.atan2(along, w) / along
    q *= scale
    return q


def angle_between(a: Array, b: Array) -> float:
    """Return the angle in radians, 0 to pi, between two non-zero vectors (3,).

    Uses atan2 of cross and dot product, accurate near 0 and pi where arccos isn't.
    """
    ax, ay, az = (float(v) for v in a)
    bx, by, bz = (float(v) for v in b)
    cross = math.hypot(ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx)
    return math.atan2(cross, ax * bx + ay * by + az * bz)
