"""Amplitudes of light's two fields, by marginal likelihood.

A penalty is a prior: differences of a field's coefficients are Gaussian with a standard deviation,
its amplitude. What is likeliest is found where the picture's probability, coefficients integrated
out, is greatest (restricted maximum likelihood: Patterson and Thompson 1971,
doi:10.1093/biomet/58.3.545; as smoothing, Wood 2011, doi:10.1111/j.1467-9868.2010.00749.x)::

    -2 log L = Σ w r² + Σ θᵀSθ/τ² - bᵀA⁻¹b + log|A| + rank S (log τ_a² + log τ_b²)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, solve_triangular

from bench.solve.light_fields import LightBasis
from bench.typing import Array, BoolArray

# Amplitudes that are tried, of the picture's contrast: from what nobody could see to what changes
# from dark to bright within a cell. Half a decade is as good as the best: the likelihood is flat.
LADDER = 10.0 ** np.arange(-4.0, 0.51, 0.5)
# Added to the scaled matrix's diagonal, against rounding.
JITTER = 1e-11


@dataclass(frozen=True, eq=False)
class Equations:
    """Normal equations of a fit with fields, without the penalty.

    Attributes
    ----------
    information, gradient : (P, P), (P,) float64
        See `bench.solve.light_fields.field_equations`.
    left : float
        Σ w r².
    coefficients : (2 size + 1,) float64
        Where they were taken: c, a's and b's.
    """

    information: Array
    gradient: Array
    left: float
    coefficients: Array


@dataclass(frozen=True, eq=False)
class Solved:
    """The step that a penalty allows, and how likely the picture is under it.

    Attributes
    ----------
    step : (P,) float64
        Of all parameters.
    penalised : (P, P) float64
        JᵀWJ with the penalty.
    gradient : (P,) float64
        JᵀWr less the penalty's pull.
    loss : float
        -2 log of the marginal likelihood, less a constant.
    """

    step: Array
    penalised: Array
    gradient: Array
    loss: float


def choose_amplitudes(
    basis: LightBasis,
    equations: Equations,
    held: BoolArray,
    contrast: float,
    start: tuple[int, int],
) -> tuple[int, int]:
    """Return the likeliest rungs of the ladder for a and b, walking down from a start."""
    known: dict[tuple[int, int], float] = {}

    def loss(at: tuple[int, int]) -> float:
        if at not in known:
            known[at] = solve_penalised(basis, equations, held, amplitudes_of(at, contrast)).loss
        return known[at]

    place = start
    while True:
        i, j = place
        around = [(i + 1, j), (i - 1, j), (i, j + 1), (i, j - 1)]
        top = len(LADDER)
        best = min(
            [place, *(at for at in around if 0 <= at[0] < top and 0 <= at[1] < top)], key=loss
        )
        if best == place:
            return place
        place = best


def amplitudes_of(rungs: tuple[int, int], contrast: float) -> tuple[float, float]:
    """Return the amplitudes of a and b, grey values, at rungs of the ladder."""
    return float(LADDER[rungs[0]]) * contrast, float(LADDER[rungs[1]]) * contrast


def solve_penalised(
    basis: LightBasis, equations: Equations, held: BoolArray, amplitudes: tuple[float, float]
) -> Solved:
    """Return the penalised step; parameters that are `held` (P,) stay.

    Raises
    ------
    numpy.linalg.LinAlgError
        The equations have no solution.
    """
    size, penalty = basis.size, basis.penalty
    matrix, gradient = equations.information.copy(), equations.gradient.copy()
    left, first = equations.left, len(gradient) - 2 * size
    for k, amplitude in enumerate(amplitudes):
        block = slice(first + k * size, first + (k + 1) * size)
        own = equations.coefficients[1 + k * size : 1 + (k + 1) * size]
        pull = penalty @ own / amplitude**2
        matrix[block, block] += penalty / amplitude**2
        gradient[block] -= pull
        left += float(own @ pull)
    penalised, whole = matrix.copy(), gradient.copy()
    matrix[held, :], matrix[:, held], gradient[held] = 0.0, 0.0, 0.0
    matrix[held, held] = 1.0
    scale = np.sqrt(np.diag(matrix))
    if not np.all(scale > 0.0):
        raise np.linalg.LinAlgError("a parameter has no effect on the picture")
    matrix /= np.outer(scale, scale)
    matrix[np.diag_indices_from(matrix)] += JITTER
    root = cholesky(matrix, lower=True, overwrite_a=True, check_finite=False)
    half = solve_triangular(root, gradient / scale, lower=True, check_finite=False)
    step = solve_triangular(root, half, lower=True, trans=1, check_finite=False) / scale
    spread = 2.0 * float(np.sum(np.log(np.diag(root))) + np.sum(np.log(scale)))
    prior = 2.0 * basis.rank * sum(math.log(amplitude) for amplitude in amplitudes)
    return Solved(step, penalised, whole, left - float(half @ half) + spread + prior)
