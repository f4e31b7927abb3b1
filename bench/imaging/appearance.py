"""The picture of a target's face in few numbers: pose, blur, light and offset.

Grey value of the pixel at (u, v), with B the blurred reflectance and (ũ, ṽ) the pixel's place in
the region, -1 to 1 across its longer side::

    μ = c0 + (c1 + c2 ũ + c3 ṽ) B(u, v; pose, σ)

c0 is the offset (black level, stray light), c1 the exposure, c2 and c3 an illumination gradient.
That is a sensor whose grey values are proportional to light. Of a picture that anything may have
made, less is known: stray light needn't be even, and grey values may be a curve of light, which
moves all edges to one side as a spreading print does::

    μ = c0 + c4 ũ + c5 ṽ + (c1 + c2 ũ + c3 ṽ) B + c6 B²

Given pose and blur, μ is linear in c, which so never has to be guessed. The parameters are, in
this order, ω (3) and τ (3) of `bench.geometry.camera.pose_jacobian`, σ, what else changes B, and
c (4, or 7).

All functions take the pixels that count as lists, see `bench.imaging.pixels`. Weights are those
of least squares, the inverse variance of each.
"""

from __future__ import annotations

import numpy as np

from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.picture import Region
from bench.imaging.pixels import Pixels
from bench.kernel import kernel
from bench.typing import Array

POSE = 6
LIGHT, FREE_LIGHT = 4, 7
PARAMETERS = POSE + 1 + LIGHT
# Of a pivot to its diagonal element, below which a part of the light isn't told from the others
# (a face in one shade, a single row of pixels) and is left at zero.
LEAST_PIVOT = 1e-10


def fit_light(
    reflectance: Array, grey: Array, weights: Array, pixels: Pixels, terms: int = LIGHT
) -> Array:
    """Return the light c (4,) or (7,) that fits grey values best, weighted least squares.

    Parameters
    ----------
    reflectance, grey, weights : (N,) float64
        B, grey values, inverse variances.
    pixels : Pixels
        Where.
    terms : int
        `LIGHT` or `FREE_LIGHT`.
    """
    if terms == LIGHT:
        return _light(reflectance, grey, weights, pixels.across, pixels.down)
    root = np.sqrt(weights)
    rows = _light_rows(reflectance, pixels, terms) * root[:, None]
    return np.asarray(np.linalg.lstsq(rows, grey * root, rcond=None)[0])


def predict(reflectance: Array, light: Array, pixels: Pixels) -> Array:
    """Return grey values μ (N,) of blurred reflectance B (N,) under light c."""
    even = light[0] + _exposure(light, pixels) * reflectance
    if len(light) == LIGHT:
        return np.asarray(even)
    uneven = light[4] * pixels.across + light[5] * pixels.down
    return np.asarray(even + uneven + light[6] * reflectance * reflectance)


def predict_image(reflectance: Array, light: Array) -> Array:
    """Return grey values μ (H, W) of all of a region's blurred reflectance B (H, W)."""
    height, width = reflectance.shape
    half = 0.5 * max(width, height)
    across = (np.arange(width) - 0.5 * (width - 1)) / half
    down = (np.arange(height) - 0.5 * (height - 1)) / half
    exposure = light[1] + light[2] * across[None, :] + light[3] * down[:, None]
    return np.asarray(light[0] + exposure * reflectance)


def moved_light(light: Array, region: Region, other: Region) -> Array:
    """Return the light c (4,) of one region in the coordinates of another."""
    half, other_half = (0.5 * max(r.width, r.height) for r in (region, other))
    shift_u = other.u0 - region.u0 + 0.5 * (other.width - region.width)
    shift_v = other.v0 - region.v0 + 0.5 * (other.height - region.height)
    exposure = light[1] + (light[2] * shift_u + light[3] * shift_v) / half
    return np.array([light[0], exposure, *(light[2:] * (other_half / half))])


def normal_equations(
    sensitivity: Array,
    reflectance: Array,
    light: Array,
    residual: Array,
    weights: Array,
    pixels: Pixels,
) -> tuple[Array, Array]:
    """Return JᵀWJ (P, P) and JᵀWr (P,) of the P = 11 or 14 parameters, or K more.

    Parameters
    ----------
    sensitivity : (M, 7 + K) float64
        Of `bench.imaging.sensitivity.blurred_sensitivity`, at the first M = `pixels.near`, and
        by K more parameters of B.
    reflectance : (N,) float64
        B.
    light : (4,) or (7,) float64
        c.
    residual : (N,) float64
        Grey values minus μ.
    weights : (N,) float64
        Inverse variances.
    pixels : Pixels
        Where.
    """
    if len(light) != LIGHT:
        rows = jacobian(sensitivity, reflectance, light, pixels)
        weighted = rows * weights[:, None]
        return weighted.T @ rows, weighted.T @ residual
    exposure = _exposure(light, pixels)
    return _equations(
        sensitivity, reflectance, exposure, residual, weights, pixels.across, pixels.down
    )


def jacobian(
    sensitivity: Array, reflectance: Array, light: Array, pixels: Pixels, count: int | None = None
) -> Array:
    """Return J (N, P), the derivatives of μ, or the rows of the first `count` pixels alone.

    Parameters as `normal_equations` has them.
    """
    own = sensitivity.shape[1]
    lights = _light_rows(reflectance, pixels, len(light), count)
    rows = np.zeros((len(lights), own + len(light)))
    near = slice(None, pixels.near)
    rows[near, :own] = sensitivity * response_to(reflectance, light, pixels)[near, None]
    rows[:, own:] = lights
    return rows


def edge_strength(
    sensitivity: Array, response: Array, T_camera_target: Pose, camera: Camera
) -> Array:
    """Return how much grey values (N,) change for each pixel that the target moves, |∇μ|.

    Parameters
    ----------
    sensitivity : (M, 7) float64
        Of B, at the first M pixels.
    response : (N,) float64
        ∂μ/∂B.
    T_camera_target, camera : Pose, Camera
        Where the target is.
    """
    depth = float(T_camera_target.translation[2])
    return _slopes(sensitivity, response, depth / camera.fx, depth / camera.fy)


@kernel
def _slopes(sensitivity: Array, response: Array, right: float, down: float) -> Array:
    strength = np.zeros(len(response))
    for n in range(len(sensitivity)):
        u, v = sensitivity[n, 3] * right, sensitivity[n, 4] * down
        strength[n] = abs(np.sqrt(u * u + v * v) * response[n])
    return strength


def _light_rows(reflectance: Array, pixels: Pixels, terms: int, count: int | None = None) -> Array:
    """Return the derivatives of μ by c (N, terms)."""
    reflectance, across, down = (
        each[:count] for each in (reflectance, pixels.across, pixels.down)
    )
    even = np.ones(len(reflectance))
    rows = [even, reflectance, reflectance * across, reflectance * down]
    if terms == FREE_LIGHT:
        rows += [across, down, reflectance * reflectance]
    return np.column_stack(rows)


def response_to(reflectance: Array, light: Array, pixels: Pixels) -> Array:
    """Return ∂μ/∂B (N,) of blurred reflectance B (N,) under light c."""
    response = _exposure(light, pixels)
    return response if len(light) == LIGHT else response + 2.0 * light[6] * reflectance


def _exposure(light: Array, pixels: Pixels) -> Array:
    return np.asarray(light[1] + light[2] * pixels.across + light[3] * pixels.down)


@kernel
def _light(reflectance: Array, grey: Array, weights: Array, across: Array, down: Array) -> Array:
    """Solve the normal equations of the light by Cholesky factors, written out."""
    root, light, row = np.zeros((4, 4)), np.zeros(4), np.empty(4)
    for n in range(len(grey)):
        w, b = weights[n], reflectance[n]
        row[0], row[1], row[2], row[3] = 1.0, b, b * across[n], b * down[n]
        for i in range(4):
            wi = w * row[i]
            light[i] += wi * grey[n]
            for j in range(i + 1):
                root[i, j] += wi * row[j]
    for i in range(4):
        whole = root[i, i]
        for j in range(i + 1):
            rest = root[i, j]
            for k in range(j):
                rest -= root[i, k] * root[j, k]
            if i > j:
                root[i, j] = rest / root[j, j] if root[j, j] > 0.0 else 0.0
                light[i] -= root[i, j] * light[j]
            else:
                root[i, i] = np.sqrt(rest) if rest > LEAST_PIVOT * whole else 0.0
                light[i] = light[i] / root[i, i] if root[i, i] > 0.0 else 0.0
    for i in range(3, -1, -1):
        if root[i, i] > 0.0:
            for k in range(i + 1, 4):
                light[i] -= root[k, i] * light[k]
            light[i] /= root[i, i]
    return light


@kernel
def _equations(
    sensitivity: Array,
    reflectance: Array,
    exposure: Array,
    residual: Array,
    weights: Array,
    across: Array,
    down: Array,
) -> tuple[Array, Array]:
    # The last row is the residual's. Four pixels at a time: half the loads and stores of sums.
    near, own = sensitivity.shape
    size = own + LIGHT + 1
    normal, rows, w = np.zeros((size, size)), np.zeros((4, size)), np.zeros(4)
    for first in range(0, near, 4):
        for k in range(4):
            n = first + k
            w[k] = weights[n] if n < near else 0.0
            if n < near:
                for i in range(own):
                    rows[k, i] = sensitivity[n, i] * exposure[n]
                rows[k, own], rows[k, own + 1] = 1.0, reflectance[n]
                rows[k, own + 2] = reflectance[n] * across[n]
                rows[k, own + 3] = reflectance[n] * down[n]
                rows[k, own + 4] = residual[n]
        for i in range(size):
            a, b, c, d = w[0] * rows[0, i], w[1] * rows[1, i], w[2] * rows[2, i], w[3] * rows[3, i]
            for j in range(i + 1):
                normal[i, j] += a * rows[0, j] + b * rows[1, j] + c * rows[2, j] + d * rows[3, j]
    row = np.empty(LIGHT + 1)
    for n in range(near, len(reflectance)):  # neither pose nor blur matters there
        row[0], row[1] = 1.0, reflectance[n]
        row[2], row[3] = reflectance[n] * across[n], reflectance[n] * down[n]
        row[LIGHT] = residual[n]
        for i in range(LIGHT + 1):
            wi = weights[n] * row[i]
            for j in range(i + 1):
                normal[own + i, own + j] += wi * row[j]
    for i in range(size):
        for j in range(i):
            normal[j, i] = normal[i, j]
    return normal[:-1, :-1].copy(), normal[:-1, -1].copy()
