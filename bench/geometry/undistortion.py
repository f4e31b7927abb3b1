"""Inverse of a lens's distortion, compiled: damped Newton steps, point by point."""

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
