"""The picture of a target's face in few numbers: pose, blur, light and offset.

Grey value of the pixel at (u, v), with B the blurred reflectance and (ũ, ṽ) the pixel's place in
the region, -1 to 1 across its longer side::

    μ = c0 + (c1 + c2 ũ + c3 ṽ) B(u, v; pose, σ)

c0 is the offset (black level, stray light), c1 the exposure, c2 and c3 an illumination gradient.
Given pose and blur, μ is linear in c, which so never has to be guessed. The parameters are, in
this order, ω (3) and τ (3) of `bench.geometry.camera.pose_jacobian`, σ, and c (4).

Weights are those of least squares, the inverse variance of each pixel; a pixel that doesn't
count has weight zero, so that all arrays keep the region's shape.
"""

from __future__ import annotations

import numpy as np

from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.chords import project_outline
from bench.imaging.kernel import kernel
from bench.imaging.picture import Region
from bench.targets.drawing import Drawing
from bench.typing import Array, BoolArray

POSE = 6
LIGHT = 4
PARAMETERS = POSE + 1 + LIGHT

# How far inside the plate's edge a pixel must lie to count, in σ beyond half a pixel. What lies
# beyond the plate isn't the target's to know; from 2.5 σ away 0.6 % of a step there leaks in.
EDGE_SIGMAS = 2.5


def face_mask(
    drawing: Drawing, T_camera_target: Pose, camera: Camera, sigma_px: float, region: Region
) -> BoolArray:
    """Return which pixels (H, W) of a region show the target's face and nothing beyond it.

    Raises
    ------
    GeometryError
        As `bench.imaging.chords.project_chords`.
    """
    ends = project_outline(drawing, T_camera_target, camera).ends
    u = np.arange(region.u0, region.u0 + region.width, dtype=np.float64)[None, :]
    v = np.arange(region.v0, region.v0 + region.height, dtype=np.float64)[:, None]
    middle = ends.reshape(-1, 2).mean(axis=0)
    mask = np.ones((region.height, region.width), dtype=np.bool_)
    # Half planes of all chords: where a lens bends a side inward they cut off a little more.
    for u0, v0, u1, v1 in ends:
        normal = np.array([v0 - v1, u1 - u0]) / np.hypot(u1 - u0, v1 - v0)
        if normal @ (middle - (u0, v0)) < 0.0:
            normal = -normal
        inside = normal[0] * (u - u0) + normal[1] * (v - v0)
        mask &= inside > 0.5 + EDGE_SIGMAS * sigma_px
    return mask


def fit_light(reflectance: Array, grey: Array, weights: Array) -> Array:
    """Return the light c (4,) that fits grey values best, weighted least squares; all (H, W)."""
    normal, gradient = _light_equations(reflectance, grey, weights)
    light: Array = np.linalg.lstsq(normal, gradient, rcond=None)[0]
    return light


def predict(reflectance: Array, light: Array) -> Array:
    """Return grey values μ (H, W) of blurred reflectance (H, W) under light c (4,)."""
    across, down = _places(reflectance.shape[0], reflectance.shape[1])
    exposure = light[1] + light[2] * across[None, :] + light[3] * down[:, None]
    return np.asarray(light[0] + exposure * reflectance)


def normal_equations(
    sensitivity: Array, reflectance: Array, light: Array, residual: Array, weights: Array
) -> tuple[Array, Array]:
    """Return JᵀWJ (11, 11) and JᵀWr (11,).

    Parameters
    ----------
    sensitivity : (7, H, W) float64
        Of `bench.imaging.sensitivity.blurred_sensitivity`.
    reflectance : (H, W) float64
        B.
    light : (4,) float64
        c.
    residual : (H, W) float64
        Grey values minus μ.
    weights : (H, W) float64
        Inverse variances; zero where a pixel doesn't count.
    """
    return _equations(sensitivity, reflectance, light, residual, weights)


@kernel
def _places(height: int, width: int) -> tuple[Array, Array]:
    """Return ũ (W,) and ṽ (H,)."""
    half = 0.5 * max(height, width)
    across, down = np.empty(width), np.empty(height)
    for j in range(width):
        across[j] = (j - 0.5 * (width - 1)) / half
    for i in range(height):
        down[i] = (i - 0.5 * (height - 1)) / half
    return across, down


@kernel
def _light_equations(reflectance: Array, grey: Array, weights: Array) -> tuple[Array, Array]:
    height, width = reflectance.shape
    across, down = _places(height, width)
    normal, gradient, row = np.zeros((4, 4)), np.zeros(4), np.empty(4)
    for i in range(height):
        for j in range(width):
            w = weights[i, j]
            if w == 0.0:
                continue
            row[0], row[1] = 1.0, reflectance[i, j]
            row[2], row[3] = row[1] * across[j], row[1] * down[i]
            for a in range(4):
                gradient[a] += w * row[a] * grey[i, j]
                for b in range(a + 1):
                    normal[a, b] += w * row[a] * row[b]
    for a in range(4):
        for b in range(a):
            normal[b, a] = normal[a, b]
    return normal, gradient


@kernel
def _equations(
    sensitivity: Array, reflectance: Array, light: Array, residual: Array, weights: Array
) -> tuple[Array, Array]:
    height, width = reflectance.shape
    across, down = _places(height, width)
    # One spare column makes rows of whole vector registers, and holds the residual.
    normal, row = np.zeros((PARAMETERS, PARAMETERS + 1)), np.empty(PARAMETERS + 1)
    for i in range(height):
        for j in range(width):
            w = weights[i, j]
            if w == 0.0:
                continue
            row[POSE + 1], row[POSE + 2] = 1.0, reflectance[i, j]
            row[POSE + 3] = reflectance[i, j] * across[j]
            row[POSE + 4] = reflectance[i, j] * down[i]
            row[PARAMETERS] = residual[i, j]
            # far from any boundary neither pose nor blur matters, and most pixels are far
            if sensitivity[POSE, i, j] == 0.0 and sensitivity[0, i, j] == 0.0:
                for a in range(POSE + 1, PARAMETERS):
                    wa = w * row[a]
                    for b in range(POSE + 1, PARAMETERS + 1):
                        normal[a, b] += wa * row[b]
                continue
            exposure = light[1] + light[2] * across[j] + light[3] * down[i]
            for a in range(POSE + 1):
                row[a] = sensitivity[a, i, j] * exposure
            for a in range(PARAMETERS):
                wa = w * row[a]
                for b in range(PARAMETERS + 1):
                    normal[a, b] += wa * row[b]
    return normal[:, :PARAMETERS].copy(), normal[:, PARAMETERS].copy()
