"""What errors of cameras and of target sizes do to a registration, to first order.

They are the same in every step, so that more steps don't average them out and residuals hardly
show them; their share comes on top of the covariance from noise (JCGM 100:2008, 5.2).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from bench.geometry.camera import intrinsics_jacobian, pose_jacobian
from bench.registration.checks import size_derivative
from bench.registration.fit import Registration
from bench.registration.sights import Sight
from bench.typing import Array


def intrinsics_sensitivity(registration: Registration, tower: str) -> Array:
    """Return d(ω, τ of T_left_right)/d(fx, fy, cx, cy, k1, k2, p1, p2, k3), (6, 9).

    Of the estimate's error, by what the tower's real camera has more than the one believed.
    Measured poses follow as one fitted to their points would; those without points don't.
    """
    model = registration.model
    shift = np.zeros((len(registration.residuals), 9))
    for step, sight, rows in model.sights:
        if sight.tower != tower or sight.p_target is None:
            continue
        T, camera = model.start.predict(step, sight), model.cameras.of(tower)
        by_camera = intrinsics_jacobian(T @ sight.p_target, camera).reshape(-1, 9)
        if isinstance(sight, Sight):
            shift[rows] = by_camera / sight.sigma_px
            continue
        by_pose = pose_jacobian(sight.p_target, T, camera).reshape(-1, 6)
        pose = np.linalg.lstsq(by_pose, by_camera, rcond=None)[0]
        shift[rows] = sight.whitener @ pose
    return _response(registration, shift)


def size_sensitivity(registration: Registration, ends: str) -> Array:
    """Return d(ω, τ of T_left_right)/ds, (6,): targets in `ends` really (1 + s) times as large."""
    model = registration.model
    shift = np.zeros((len(registration.residuals), 1))
    for step, sight, rows in model.sights:
        if sight.end in ends:
            T = model.start.predict(step, sight)
            shift[rows, 0] = -size_derivative(sight, T, model)
    return np.asarray(_response(registration, shift)[:, 0])


def systematic_covariance(
    registration: Registration,
    intrinsics: Mapping[str, Array] | None = None,
    size: float = 0.0,
) -> Array:
    """Return the covariance (6, 6) of T_left_right that comes on top of noise.

    Parameters
    ----------
    registration : Registration
        Where to linearise.
    intrinsics : mapping of str to (9, 9) float64, optional
        Covariance of each tower's intrinsics, as a calibration gives it.
    size : float
        Relative standard uncertainty of each target's size, independent.
    """
    total = np.zeros((6, 6))
    for tower, covariance in (intrinsics or {}).items():
        by = intrinsics_sensitivity(registration, tower)
        total += by @ covariance @ by.T
    if size > 0.0:
        for end in "AB" if registration.model.two_ends else "A":
            by = size * size_sensitivity(registration, end)
            total += np.outer(by, by)
    return total


def _response(registration: Registration, shift: Array) -> Array:
    """Return what T_left_right does when whitened observations change by `shift` (M, K)."""
    model = registration.model
    jacobian = model.jacobian(np.zeros(model.n_parameters)).toarray()
    cofactor = registration.covariance / registration.variance_factor
    return np.asarray(-(cofactor[:6] @ (jacobian.T @ shift)))
