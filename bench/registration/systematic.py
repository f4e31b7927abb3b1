"""Errors of cameras and target sizes: what they do to a registration's observations.

They are the same in every step, so that more steps don't average them out. Their share comes on
top of the covariance from noise (JCGM 100:2008, 5.2), and residuals show what of them the fit
can't take up: judged as observed unknowns, zero to within one standard uncertainty, they widen
what residuals may be (a bundle adjustment's additional parameters with prior variances; Förstner
and Wrobel 2016, "Photogrammetric Computer Vision", section 15.4, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from bench.geometry.camera import lens_shift, point_jacobian, pose_jacobian
from bench.geometry.pose import Pose
from bench.registration.model import Model
from bench.registration.sights import MeasuredPose, Sight
from bench.typing import Array


@dataclass(frozen=True, eq=False)
class Causes:
    """Errors that stay the same through a registration.

    Attributes
    ----------
    cameras : mapping of str to (9, K) float64
        Change of a tower's fx, fy, cx, cy, k1, k2, p1, p2, k3 by one standard deviation of each
        of K independent causes, by side.
    size : float
        Relative standard uncertainty of each target's size, independent.
    """

    cameras: Mapping[str, Array] = field(default_factory=dict)
    size: float = 0.0

    def shifts(self, model: Model) -> Array:
        """Return the change (M, K) of whitened observations by one standard deviation of each.

        Measured poses follow as one fitted to their points would; those without points don't
        follow cameras.
        """
        ends = ("A", "B") if model.two_ends else ("A",)
        columns = [_camera_shift(model, side, modes) for side, modes in self.cameras.items()]
        if self.size > 0.0:
            columns += [self.size * size_shift(model, end) for end in ends]
        empty = np.zeros((model.n_residuals, 0))
        return np.column_stack([empty, *columns])


def _camera_shift(model: Model, tower: str, modes: Array) -> Array:
    shift = np.zeros((model.n_residuals, modes.shape[1]))
    for step, sight, rows in model.sights:
        if sight.tower != tower or sight.p_target is None:
            continue
        T, camera = model.start.predict(step, sight), model.cameras.of(tower)
        by_camera = lens_shift(T @ sight.p_target, camera, modes).reshape(-1, modes.shape[1])
        if isinstance(sight, Sight):
            shift[rows] = by_camera / sight.sigma_px
            continue
        by_pose = pose_jacobian(sight.p_target, T, camera).reshape(-1, 6)
        pose = np.linalg.lstsq(by_pose, by_camera, rcond=None)[0]
        shift[rows] = sight.whitener @ pose
    return shift


def size_shift(model: Model, end: str) -> Array:
    """Return d(whitened observations)/ds (M,): target `end` really (1 + s) times as large."""
    shift = np.zeros(model.n_residuals)
    for step, sight, rows in model.sights:
        if sight.end == end:
            shift[rows] = -size_derivative(sight, model.start.predict(step, sight), model)
    return shift


def size_derivative(sight: Sight | MeasuredPose, T_camera_target: Pose, model: Model) -> Array:
    """Return d(residual)/ds (M,) where the target is believed (1 + s) times as large."""
    if isinstance(sight, Sight):
        camera = model.cameras.of(sight.tower)
        by_point = point_jacobian(T_camera_target @ sight.p_target, camera)
        moved = sight.p_target @ T_camera_target.rotation.T
        return np.asarray(-np.einsum("nij,nj->ni", by_point, moved).reshape(-1) / sight.sigma_px)
    # a pose measured with too small a size comes out too near
    return np.asarray(sight.whitener[:, 3:] @ T_camera_target.translation)
