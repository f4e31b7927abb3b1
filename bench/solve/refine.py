"""Levenberg-Marquardt on the reprojection error, compiled.

The compiled loop writes out the projection and the derivatives of `bench.geometry.camera`
point by point, without temporaries: some ten microseconds a pose, so that a solver can refine
every branch and a Monte Carlo can run thousands of trials. A test holds the two to each other.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from bench.geometry.camera import Camera
from bench.geometry.lens_kernel import wide_radial
from bench.kernel import kernel
from bench.solve.damped_step import damped_step
from bench.solve.points import PlanarPoints
from bench.typing import Array, BoolArray

# Quadratic convergence takes 3 to 6 steps, the flat basin of a face-on target some tens.
MAX_STEPS = 100
# Stop when the predicted decrease of the squared error, px², is below ABS + REL * error.
# REL is a step of 1e-7 standard deviations of the noise. ABS matters for exact points alone:
# it is (1e-10 px)², above the rounding of pixel coordinates (1e4 px at 2e-16).
REL_DECREASE = 1e-14
ABS_DECREASE = 1e-20
START_DAMPING, LEAST_DAMPING, MOST_DAMPING = 1e-4, 1e-12, 1e12
# Under this angle, radians, two terms of the series are exact: the next is 1e-18.
SMALL_ANGLE = 1e-4

# Parameters, in the order of `pose_jacobian`, that `refine` may change: all, or all but the
# two that turn the target's normal.
WHOLE_POSE: BoolArray = np.ones(6, dtype=np.bool_)
NORMAL_HELD: BoolArray = np.array([False, False, True, True, True, True])


class Fit(NamedTuple):
    """A pose and how well it fits."""

    rotation: Array  # (3, 3), target to camera
    translation: Array  # (3,), metres
    sse_px2: float  # sum of squared residuals, px²; inf with a point behind the camera


def fit_of(rotation: Array, translation: Array, points: PlanarPoints, camera: Camera) -> Fit:
    """Return a pose (3, 3), (3,) as it is, with its squared error."""
    rotation, translation = _plain(rotation), _plain(translation)
    sse, _, _ = _normal_equations(
        rotation, translation, points.p_target, points.pixels, _lens(camera)
    )
    return Fit(rotation, translation, float(sse))


def refine(
    rotation: Array,
    translation: Array,
    points: PlanarPoints,
    camera: Camera,
    free: BoolArray = WHOLE_POSE,
) -> Fit:
    """Minimise the reprojection error from a starting pose.

    Parameters
    ----------
    rotation, translation : (3, 3) and (3,) float64
        Start, target to camera, metres.
    points : PlanarPoints
        What was seen.
    camera : Camera
        Intrinsics; residuals are taken in its pixels, lens distortion included.
    free : (6,) bool
        Which parameters may change, in the order of `bench.geometry.camera.pose_jacobian`.

    Returns
    -------
    Fit
        The minimum that the start leads to; its error is inf where the start has a point
        behind the camera or isn't finite.

    Notes
    -----
    The pose is updated as R ← R exp([ω]×), t ← t + τ.
    """
    rotation, translation = _plain(rotation), _plain(translation)
    return Fit(
        *_levenberg_marquardt(
            rotation, translation, points.p_target, points.pixels, _lens(camera), free
        )
    )


def _plain(array: Array) -> Array:
    """Return a writable, contiguous copy: one compiled variant serves all callers."""
    return np.array(array, dtype=np.float64, order="C")


def _lens(camera: Camera) -> tuple[float, ...]:
    return tuple(camera.lens.tolist())


@kernel
def _normal_equations(
    rotation: Array, translation: Array, p_target: Array, pixels: Array, lens: tuple[float, ...]
) -> tuple[float, Array, Array]:
    """Return squared error, JᵀJ (6, 6) and Jᵀr (6,); inf if a point is behind the camera."""
    normal = np.zeros((6, 6))
    gradient = np.zeros(6)
    rows = np.empty((2, 6))
    sse = 0.0
    fx, fy, cx, cy, k1, k2, p1, p2, k3, kind, k4, k5, k6 = lens
    for i in range(len(p_target)):
        p_camera = rotation @ p_target[i] + translation
        z = p_camera[2]
        if not z > 0.0:
            return np.inf, normal, gradient
        x, y = p_camera[0] / z, p_camera[1] / z
        r2 = x * x + y * y
        radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * k3 * r2))
        if kind > 0.0:
            radial, slope, _ = wide_radial(r2, k1, k2, k3, kind, k4, k5, k6)
            slope *= 2.0
        x_d = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)
        y_d = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y
        du, dv = pixels[i, 0] - (fx * x_d + cx), pixels[i, 1] - (fy * y_d + cy)
        mixed = slope * x * y + 2.0 * p1 * x + 2.0 * p2 * y
        rows[0, 3] = fx * (radial + slope * x * x + 2.0 * p1 * y + 6.0 * p2 * x) / z
        rows[0, 4] = fx * mixed / z
        rows[1, 3] = fy * mixed / z
        rows[1, 4] = fy * (radial + slope * y * y + 6.0 * p1 * y + 2.0 * p2 * x) / z
        for axis in range(2):
            row = rows[axis]
            row[5] = -(row[3] * x + row[4] * y)
            # d(R exp(w) p)/dw is R (w x p), so that a row a becomes p x (Rᵀ a)
            a = row[3] * rotation[0] + row[4] * rotation[1] + row[5] * rotation[2]
            row[0] = p_target[i, 1] * a[2] - p_target[i, 2] * a[1]
            row[1] = p_target[i, 2] * a[0] - p_target[i, 0] * a[2]
            row[2] = p_target[i, 0] * a[1] - p_target[i, 1] * a[0]
            residual = du if axis == 0 else dv
            sse += residual * residual
            for j in range(6):
                gradient[j] += row[j] * residual
                for k in range(6):
                    normal[j, k] += row[j] * row[k]
    return sse, normal, gradient


@kernel
def _exp(rotvec: Array) -> Array:
    """Return the rotation matrix (3, 3) of a rotation vector (3,): Rodrigues' formula."""
    angle2 = np.sum(rotvec**2)
    angle = np.sqrt(angle2)
    if angle < SMALL_ANGLE:
        a, b = 1.0 - angle2 / 6.0, 0.5 - angle2 / 24.0
    else:
        a, b = np.sin(angle) / angle, (1.0 - np.cos(angle)) / angle2
    x, y, z = rotvec
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    rotation: Array = np.eye(3) + a * cross + b * (cross @ cross)
    return rotation


@kernel
def _levenberg_marquardt(
    rotation: Array,
    translation: Array,
    p_target: Array,
    pixels: Array,
    lens: tuple[float, ...],
    free: BoolArray,
) -> tuple[Array, Array, float]:
    """Return rotation, translation and squared error at the minimum."""
    sse, normal, gradient = _normal_equations(rotation, translation, p_target, pixels, lens)
    damping = START_DAMPING
    for _ in range(MAX_STEPS):
        if not np.isfinite(sse):
            break
        step = damped_step(normal, gradient, damping, free)
        # of |r - J d|²: 2 dᵀJᵀr - dᵀJᵀJ d
        predicted = 0.0
        for j in range(6):
            predicted += step[j] * (gradient[j] + damping * normal[j, j] * step[j])
        if not predicted > ABS_DECREASE + REL_DECREASE * sse:
            break
        new_rotation, new_translation = rotation @ _exp(step[:3]), translation + step[3:]
        new_sse, new_normal, new_gradient = _normal_equations(
            new_rotation, new_translation, p_target, pixels, lens
        )
        if new_sse < sse:
            rotation, translation = new_rotation, new_translation
            sse, normal, gradient = new_sse, new_normal, new_gradient
            damping = max(0.1 * damping, LEAST_DAMPING)
        else:
            damping *= 10.0
            if damping > MOST_DAMPING:
                break
    return rotation, translation, sse
