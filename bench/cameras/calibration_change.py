"""Two calibrations of one camera compared: what changed over the frame, and whether it shows.

A lens and a camera's aim can't be told apart: rays of both are aligned by the rotation that leaves
least of the difference. What stays is judged by both covariances: its squared length in units of
its own uncertainty is χ² with as many degrees of freedom as the calibrations have directions left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from bench.cameras.projection_uncertainty import frame_grid, rays_of
from bench.errors import ConfigError, GeometryError
from bench.geometry.camera import (
    Camera,
    lens_shift,
    point_jacobian,
    project_camera,
    rotation_columns,
)
from bench.geometry.rotation import exp_rotvec
from bench.solve.response import calibrated_errors
from bench.typing import Array

# Of a χ² so large by chance: the bench's own limit where rows contradict each other.
RARE = 0.001
ALIGNMENTS = 10  # Gauss-Newton; three are enough for degrees
# Directions whose singular value is less than so much of the largest are rounding's.
LEAST_DIRECTION = 1e-9


@dataclass(frozen=True, eq=False)
class Change:
    """A later calibration less an earlier.

    Attributes
    ----------
    u, v : (C,), (R,) float64
        Pixels of the grid.
    moved_px : (R, C, 2) float64
        Where the later camera has the point that the earlier has at the grid's; NaN where either
        lens model has no ray.
    sigma_px : (R, C) float64
        Standard uncertainty of the change along its own direction.
    chi_square : float
        Of all of it together.
    freedom : int
        Degrees of freedom.
    p : float
        Chance of as large a one if nothing changed.
    """

    u: Array
    v: Array
    moved_px: Array
    sigma_px: Array
    chi_square: float
    freedom: int
    p: float

    @property
    def shown(self) -> bool:
        """Whether the calibrations contradict each other."""
        return self.p < RARE

    @property
    def significance(self) -> Array:
        """Size of the change over its standard uncertainty, (R, C)."""
        return np.asarray(np.linalg.norm(self.moved_px, axis=2) / self.sigma_px)


def change_between(earlier: tuple[Camera, Array], later: tuple[Camera, Array]) -> Change:
    """Return what changed from one calibration to another.

    Parameters
    ----------
    earlier, later : (Camera, (P, P) float64)
        Cameras of one lens model and the covariances of their parameters.

    Raises
    ------
    ConfigError
        Pictures of two sizes, or no part of the frame that both lens models know.
    """
    (a, covariance_a), (b, covariance_b) = earlier, later
    if (a.width, a.height) != (b.width, b.height):
        raise ConfigError(
            f"the earlier calibration is of pictures of {a.width} x {a.height} px, this of "
            f"{b.width} x {b.height} px"
        )
    if a.model != b.model:
        raise ConfigError(
            f"the earlier calibration is of a {a.model} lens, this of a {b.model} one: give "
            f"--lens {a.model}"
        )
    if not np.any(covariance_a) and not np.any(covariance_b):
        raise ConfigError("neither calibration has an uncertainty to judge a change by")
    u, v = frame_grid(b)
    pixels = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    rays = rays_of(pixels, a)
    known = np.isfinite(rays[:, 0]) & np.isfinite(rays_of(pixels, b)[:, 0])
    if np.count_nonzero(known) < 4:
        raise ConfigError("the two lens models have no part of the frame in common")
    rays, seen = rays[known], pixels[known]
    by_lens = lens_shift(rays, b, calibrated_errors(covariance_a + covariance_b, "").modes)
    by_turn = _by_turn(rays, b)
    weights = 1.0 / np.maximum(np.sum(by_lens**2, axis=(1, 2)), np.finfo(float).tiny)
    root = np.repeat(np.sqrt(weights / weights.max()), 2)[:, None]
    left = _left_over(rays, seen, b, root)
    # what a rotation can't do, of the change and of its uncertainty alike
    q, _ = np.linalg.qr(root * by_turn.reshape(-1, 3))
    flat = root * by_lens.reshape(len(root), -1)
    free = flat - q @ (q.T @ flat)
    left_vectors, sizes, _ = np.linalg.svd(free, full_matrices=False)
    kept = sizes > LEAST_DIRECTION * sizes[0]
    parts = (left_vectors[:, kept].T @ (root[:, 0] * left.ravel())) / sizes[kept]
    chi_square, freedom = float(parts @ parts), int(np.count_nonzero(kept))
    own = (free / root).reshape(len(seen), 2, -1)
    length = np.linalg.norm(left, axis=1, keepdims=True)
    along = np.where(length > 0.0, left / np.maximum(length, np.finfo(float).tiny), (1.0, 0.0))
    sigma = np.linalg.norm(np.einsum("ni,nij->nj", along, own), axis=1)
    moved = np.full((len(pixels), 2), np.nan)
    spread = np.full(len(pixels), np.nan)
    moved[known], spread[known] = left, sigma
    return Change(
        u,
        v,
        moved.reshape(len(v), len(u), 2),
        spread.reshape(len(v), len(u)),
        chi_square,
        freedom,
        float(scipy.stats.chi2.sf(chi_square, freedom)),
    )


def change_words(change: Change, name: str) -> list[str]:
    """Return what changed since the calibration of that name, a line each."""
    size, significance = np.linalg.norm(change.moved_px, axis=2), change.significance
    i, j = np.unravel_index(int(np.nanargmax(significance)), significance.shape)
    worst = (
        f"most significant at ({change.u[j]:.0f}, {change.v[i]:.0f}) px: {size[i, j]:.2g} px, "
        f"{significance[i, j]:.1f} of its standard uncertainty"
    )
    chance = f"χ² = {change.chi_square:.1f} of {change.freedom}, p = {change.p:.2g}"
    if change.shown:
        return [f"changed since {name}: {chance}; {worst}"]
    hidden = 2.0 * float(np.nanmedian(change.sigma_px))
    return [
        f"no change since {name} is shown: {chance}; {worst}. One of less than {hidden:.2g} px "
        "(k = 2, the frame's median) wouldn't show"
    ]


def _by_turn(rays: Array, camera: Camera) -> Array:
    """Return pixels' derivatives (N, 2, 3) by a rotation vector of the rays."""
    return rotation_columns(rays, point_jacobian(rays, camera))


def _left_over(rays: Array, pixels: Array, camera: Camera, root: Array) -> Array:
    """Return how far (N, 2) a camera has rays from pixels, turned so that it is least."""
    turned = rays
    for _ in range(ALIGNMENTS):
        try:
            left = project_camera(turned, camera) - pixels
        except GeometryError as error:
            raise ConfigError("the two lens models are too different to be compared") from error
        step = np.linalg.lstsq(
            root * _by_turn(turned, camera).reshape(-1, 3), -root[:, 0] * left.ravel(), rcond=None
        )[0]
        if np.linalg.norm(step) < 1e-13:
            break
        turned = (exp_rotvec(np.asarray(step, np.float64)) @ turned.T).T
    return np.asarray(project_camera(turned, camera) - pixels)
