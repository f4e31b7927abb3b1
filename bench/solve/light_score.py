"""Score test for light left unexplained, so that clean pictures pay for no more.

The plate is cut into cells, 1, 2, 4 and 8 along its longer side; in each, light may have another
part added and another part multiplied. Whether that would explain more is told by Rao's score
test (Rao 1948, doi:10.1017/S0305004100023987), which asks nothing but the residuals of the fit
without it: with g the residuals' products with the new columns, and M their covariance, all that
pose, blur and plain light can do taken out, gᵀM⁺g follows χ². Few cells have power against what is
broad, many against what is small.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg.lapack import dpstrf, dtrtrs
from scipy.special import chdtri

from bench.imaging.appearance import LIGHT, response_to
from bench.kernel import kernel
from bench.solve.image_fit import ImageFit, Scene
from bench.solve.imprint import scaled_inverse
from bench.solve.light_fields import places_on_plate
from bench.typing import Array, IntArray

LEVELS = (2, 4, 8)
FINEST = LEVELS[-1]
# Probability under which light is called uneven, of each level. A false alarm costs time alone:
# the fields' amplitudes are then found to be small.
UNEVEN = 0.01
# Of what is known of a column alone, below which the fit and other columns have used it up.
USED_UP = 1e-6


def light_is_uneven(scene: Scene, fit: ImageFit, weights: Array) -> bool:
    """Tell whether light that varies over the face would explain more than noise does.

    Parameters
    ----------
    scene, fit : Scene, ImageFit
        What was fitted, without such light.
    weights : (N,) float64
        Inverse variances of the noise.

    Raises
    ------
    GeometryError
        The plate has no image at the fit's pose.
    """
    return light_evidence(scene, fit, weights) > 1.0


def light_evidence(scene: Scene, fit: ImageFit, weights: Array) -> float:
    """Return the largest of the levels' test statistics, each over its critical value.

    Raises
    ------
    GeometryError
        As `light_is_uneven`.
    """
    places = np.clip(places_on_plate(scene, fit.pose) + 0.5, 0.0, 1.0 - 1e-9)
    cell = (places * FINEST).astype(np.int64)
    pixels = scene.pixels
    pull, diagonal, cross, information = _sums(
        cell[:, 0] * FINEST + cell[:, 1],
        fit.sensitivity,
        response_to(fit.reflectance, fit.light, pixels),
        pixels.across,
        pixels.down,
        len(fit.light) != LIGHT,
        fit.reflectance,
        scene.grey - fit.predicted,
        weights,
        FINEST * FINEST,
    )
    inverse = scaled_inverse(information)
    return max(_statistic(level, pull, diagonal, cross, inverse) for level in LEVELS)


def _statistic(level: int, pull: Array, diagonal: Array, cross: Array, inverse: Array) -> float:
    """Return one level's statistic over its critical value."""
    g, d, x = (_merged(part, level) for part in (pull, diagonal, cross))
    count = level * level
    whole = np.zeros((2 * count, 2 * count))
    every = np.arange(count)
    whole[every, every], whole[count + every, count + every] = d[:, 0], d[:, 2]
    whole[every, count + every] = whole[count + every, every] = d[:, 1]
    seen = np.vstack((x[:, 0], x[:, 1]))
    whole -= seen @ inverse @ seen.T
    scale = np.sqrt(np.concatenate((d[:, 0], d[:, 2])))
    scale[scale == 0.0] = 1.0
    # Cholesky with pivots, up to where directions are used up: any pseudo-inverse will do
    along = np.concatenate((g[:, 0], g[:, 1])) / scale
    root, order, free, _ = dpstrf(whole / np.outer(scale, scale), tol=USED_UP, lower=1)
    half, _ = dtrtrs(root[:free, :free], along[order[:free] - 1], lower=1)
    return float(half @ half) / float(chdtri(free, UNEVEN))


def _merged(part: Array, level: int) -> Array:
    """Return sums over the cells of a coarser level."""
    each = FINEST // level
    shape = (level, each, level, each, *part.shape[1:])
    merged: Array = part.reshape(shape).sum(axis=(1, 3))
    return merged.reshape(level * level, *part.shape[1:])


@kernel
def _sums(
    cell: IntArray, sensitivity: Array, response: Array, across: Array, down: Array, curved: bool,
    reflectance: Array, residual: Array, weights: Array, cells: int,
) -> tuple[Array, Array, Array, Array]:  # fmt: skip
    """Return sums over cells of w·(r, rB), w·(1, B, B²) and w·(J, BJ), and JᵀWJ of all.

    J's rows are those of `bench.imaging.appearance.jacobian`.
    """
    near, own = sensitivity.shape
    count = own + (7 if curved else 4)
    pull, diagonal = np.zeros((cells, 2)), np.zeros((cells, 3))
    cross, whole = np.zeros((cells, 2, count)), np.zeros((count, count))
    row = np.zeros(count)
    for n in range(len(cell)):
        k, w, b = cell[n], weights[n], reflectance[n]
        first = 0 if n < near else own
        for q in range(first, own):
            row[q] = sensitivity[n, q] * response[n]
        row[own], row[own + 1] = 1.0, b
        row[own + 2], row[own + 3] = b * across[n], b * down[n]
        if curved:
            row[own + 4], row[own + 5], row[own + 6] = across[n], down[n], b * b
        wr, wb = w * residual[n], w * b
        pull[k, 0] += wr
        pull[k, 1] += wr * b
        diagonal[k, 0] += w
        diagonal[k, 1] += wb
        diagonal[k, 2] += wb * b
        for q in range(first, count):
            part = w * row[q]
            cross[k, 0, q] += part
            cross[k, 1, q] += part * b
            for p in range(first, q + 1):
                whole[q, p] += part * row[p]
    for q in range(count):
        for p in range(q):
            whole[p, q] = whole[q, p]
    return pull, diagonal, cross, whole
