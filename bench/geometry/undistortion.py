"""A lens's distortion and its inverse by damped Newton steps, compiled: point by point."""

from __future__ import annotations

import numpy as np

from bench.geometry.lens_kernel import wide_radial
from bench.kernel import kernel
from bench.typing import Array

# Damped Newton's steps; a pixel that needs more lies outside the lens model's domain.
MAX_NEWTON_STEPS = 50
MAX_HALVINGS = 40
# Normalised coordinates; 1e-13 is 3e-10 px at f = 3000 px, far under any other error here.
NEWTON_ATOL = 1e-13
BEHIND, BEYOND = 1, 2  # why a point has no pixel: the camera plane, the lens model's domain


@kernel
def _lens(x: float, y: float, k: Array) -> tuple[float, float, float, float, float]:
    """Return distorted coordinates and the symmetric Jacobian's three numbers."""
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k[0] + r2 * (k[1] + r2 * k[4]))
    slope = 2.0 * (k[0] + r2 * (2.0 * k[1] + 3.0 * k[4] * r2))
    if k[5] > 0.0:
        radial, slope, _ = wide_radial(r2, k[0], k[1], k[4], k[5], k[6], k[7], k[8])
        slope *= 2.0
    return (
        x * radial + 2.0 * k[2] * x * y + k[3] * (r2 + 2.0 * x * x),
        y * radial + k[2] * (r2 + 2.0 * y * y) + 2.0 * k[3] * x * y,
        radial + slope * x * x + 2.0 * k[2] * y + 6.0 * k[3] * x,
        slope * x * y + 2.0 * k[2] * x + 2.0 * k[3] * y,
        radial + slope * y * y + 6.0 * k[2] * y + 2.0 * k[3] * x,
    )


@kernel
def undistorted(target: Array, distortion: Array, limit: float, found: Array) -> bool:
    """Fill `found` (N, 2) point by point; tell whether all have an undistorted counterpart."""
    for n in range(len(target)):
        goal_x, goal_y = target[n, 0], target[n, 1]
        radius = np.hypot(goal_x, goal_y)
        tolerance = NEWTON_ATOL * (1.0 + radius)
        shrink = max(1.0, radius / (0.9 * limit))  # start inside the domain, same direction
        x, y = goal_x / shrink, goal_y / shrink
        done = False
        for _ in range(MAX_NEWTON_STEPS):
            at_x, at_y, a, b, d = _lens(x, y, distortion)
            du, dv, determinant = at_x - goal_x, at_y - goal_y, a * d - b * b
            error = np.hypot(du, dv)
            if error <= tolerance:
                done = determinant > 0.0
                break
            if not (np.isfinite(error) and determinant > 0.0):
                break
            step_x = (d * du - b * dv) / determinant
            step_y = (a * dv - b * du) / determinant
            # halve a step that leaves the domain or doesn't lessen the error: the way to the
            # root is a straight line in the distorted plane, where the domain is a disc
            better = False
            for _ in range(MAX_HALVINGS):
                trial_x, trial_y = x - step_x, y - step_y
                at_x, at_y, _a, _b, _d = _lens(trial_x, trial_y, distortion)
                off = np.hypot(at_x - goal_x, at_y - goal_y)
                if np.hypot(trial_x, trial_y) < limit and off < error:
                    better = True
                    break
                step_x *= 0.5
                step_y *= 0.5
            if not better:
                break
            x, y = trial_x, trial_y
        if not done:
            return False
        found[n, 0], found[n, 1] = x, y
    return True


@kernel
def projected(points: Array, lens: Array, limit: float, pixels: Array) -> int:
    """Fill `pixels` (N, 2) of points (N, 3) in the camera frame; return a fault, 0 for none."""
    for n in range(len(points)):
        if not points[n, 2] > 0.0:  # also catches NaN
            return BEHIND
    for n in range(len(points)):
        x, y = points[n, 0] / points[n, 2], points[n, 1] / points[n, 2]
        if np.sqrt(x * x + y * y) >= limit:
            return BEYOND
        u, v, _, _, _ = _lens(x, y, lens[4:])
        pixels[n, 0], pixels[n, 1] = u * lens[0] + lens[2], v * lens[1] + lens[3]
    return 0


@kernel
def pose_columns(p: Array, p_camera: Array, rotation: Array, lens: Array, out: Array) -> bool:
    """Fill `out` (N, 2, 6) with d(pixel)/d(ω, τ); False where a point isn't before the camera.

    `p` and `p_camera` (N, 3) are points in the target's frame and in the camera's.
    """
    by_camera, by_target = np.empty((2, 3)), np.empty(3)
    for n in range(len(p)):
        z = p_camera[n, 2]
        if not z > 0.0:
            return False
        x, y = p_camera[n, 0] / z, p_camera[n, 1] / z
        _, _, xx, xy, yy = _lens(x, y, lens[4:])
        by_camera[0, 0], by_camera[0, 1] = lens[0] * xx / z, lens[0] * xy / z
        by_camera[1, 0], by_camera[1, 1] = lens[1] * xy / z, lens[1] * yy / z
        for k in range(2):
            a = by_camera[k]
            a[2] = -(a[0] * x + a[1] * y)
            for i in range(3):
                by_target[i] = (
                    a[0] * rotation[0, i] + a[1] * rotation[1, i] + a[2] * rotation[2, i]
                )
                out[n, k, 3 + i] = a[i]
            for i in range(3):  # d(R exp(ω) p)/dω is R (ω x p): a row a becomes p x (Rᵀ a)
                j, m = (i + 1) % 3, (i + 2) % 3
                out[n, k, i] = p[n, j] * by_target[m] - p[n, m] * by_target[j]
    return True
