"""Amplitudes of light's two fields, by marginal likelihood.

A penalty is a prior: differences of a field's coefficients are Gaussian with a standard deviation,
its amplitude. What is likeliest is found where the picture's probability, coefficients integrated
out, is greatest (restricted maximum likelihood: Patterson and Thompson 1971,
doi:10.1093/biomet/58.3.545; as smoothing, Wood 2011, doi:10.1111/j.1467-9868.2010.00749.x)::

    -2 log L = Σ w r² + Σ θᵀSθ/τ² - bᵀA⁻¹b + log|A| + rank S (log τ_a² + log τ_b²)

A's band is factored, its border by Schur's complement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg.lapack import dpbtrf

from bench.kernel import kernel
from bench.solve.field_equations import Equations
from bench.solve.light_fields import LightBasis
from bench.typing import Array

# Amplitudes that are tried, of the picture's contrast: from what nobody could see to what changes
# from dark to bright within a cell. Half a decade is as good as the best: the likelihood is flat.
LADDER = 10.0 ** np.arange(-4.0, 0.51, 0.5)
# Added to the scaled matrix's diagonal, against rounding.
JITTER = 1e-11


@dataclass(frozen=True, eq=False)
class Solved:
    """Penalised equations, factored, and how likely the picture is under them.

    Attributes
    ----------
    basis, equations, amplitudes : LightBasis, Equations, (float, float)
        Of what.
    root, scale : (2 size, R + 1), (2 size,) float64
        Cholesky factors of the band, rows and columns over their scale.
    half : (2 size, H + 2) float64
        The border and the pull, behind the band's factors.
    schur, pull : (H + 1, H + 1), (H + 1,) float64
        What is known of the head once the fields have taken their part, over `head_scale`.
    head_scale : (H + 1,) float64
        Of the head.
    loss : float
        -2 log of the marginal likelihood, less a constant.
    """

    basis: LightBasis
    equations: Equations
    amplitudes: tuple[float, float]
    root: Array
    scale: Array
    half: Array
    schur: Array
    pull: Array
    head_scale: Array
    loss: float

    def step(self) -> Array:
        """Return the step (H + 1 + 2 size,) of all parameters."""
        head = np.linalg.solve(self.schur, self.pull)
        fields = _backward(self.root, self.half[:, -1:] - self.half[:, :-1] @ head[:, None])
        return np.concatenate((head / self.head_scale, fields[:, 0] / self.scale))

    def square(self, moved: Array) -> float:
        """Return vᵀAv of a move (H,) of B's own parameters, light held."""
        own = len(moved)
        return float(moved @ self.equations.head[:own, :own] @ moved)

    def without_light(self, *, curved: bool) -> tuple[Array, Array]:
        """Return what is known of B's own parameters (H, H), and what light takes of them.

        The second (1 + 2 size, H): c, which has part in it only where it is `curved`, and the
        fields' coefficients.
        """
        own = len(self.pull) - 1
        unit = self.head_scale
        known = self.schur[:own, :own]
        curve = np.zeros(own)
        if curved:
            curve = self.schur[own, :own] / self.schur[own, own]
            known = known - np.outer(self.schur[:own, own], curve)
        half = self.half[:, :own] - self.half[:, own : own + 1] * curve
        fields = _backward(self.root, half) * (unit[:own] / self.scale[:, None])
        taken = np.vstack((curve * unit[:own] / unit[own], fields))
        return np.asarray(known * np.outer(unit[:own], unit[:own])), taken

    def spent(self) -> float:
        """Return how many parameters the fit has spent: the trace of A⁻¹JᵀWJ.

        All of them, less the trace of A⁻¹ times the penalty.
        """
        basis, own = self.basis, len(self.pull)
        rate = tuple(1.0 / amplitude**2 for amplitude in self.amplitudes)
        penalised = _trace(self.root, self.scale, basis.penalty_band, *rate)
        border = _backward(self.root, self.half[:, :own].copy()) / self.scale[:, None]
        for k in range(2):
            part = border[k::2]
            cost = part.T @ (basis.penalty @ part) * rate[k]
            penalised += float(np.trace(np.linalg.solve(self.schur, cost)))
        return own + len(self.scale) - penalised


def choose_amplitudes(
    basis: LightBasis,
    equations: Equations,
    contrast: float,
    start: tuple[int, int],
    *,
    curved: bool,
) -> tuple[int, int]:
    """Return the likeliest rungs of the ladder for a and b, walking down from a start."""
    known: dict[tuple[int, int], float] = {}
    rough = equations.rough(basis)

    def loss(at: tuple[int, int]) -> float:
        if at not in known:
            amplitudes = amplitudes_of(at, contrast)
            known[at] = solve_penalised(
                basis, equations, amplitudes, curved=curved, rough=rough
            ).loss
        return known[at]

    place, way = start, (0, 0)
    while True:
        # on as before as long as that helps, and only then all four ways
        ways = [way] if any(way) else [(1, 0), (-1, 0), (0, 1), (0, -1)]
        around = [(place[0] + i, place[1] + j) for i, j in ways]
        top = len(LADDER)
        best = min(
            [place, *(at for at in around if 0 <= at[0] < top and 0 <= at[1] < top)], key=loss
        )
        if best == place and not any(way):
            return place
        way = (best[0] - place[0], best[1] - place[1])
        place = best


def amplitudes_of(rungs: tuple[int, int], contrast: float) -> tuple[float, float]:
    """Return the amplitudes of a and b, grey values, at rungs of the ladder."""
    return float(LADDER[rungs[0]]) * contrast, float(LADDER[rungs[1]]) * contrast


def solve_penalised(
    basis: LightBasis,
    equations: Equations,
    amplitudes: tuple[float, float],
    *,
    curved: bool,
    rough: Array | None = None,
) -> Solved:
    """Factor the penalised equations; c stays where it is unless light is `curved`.

    `rough` (size, 2), the equations' own, may be given where it is known.

    Raises
    ------
    numpy.linalg.LinAlgError
        The equations have no solution.
    """
    rate = np.array([1.0 / amplitude**2 for amplitude in amplitudes])
    pulled = (equations.rough(basis) if rough is None else rough) * rate
    left = equations.left + float(equations.coefficients[1:] @ pulled.reshape(-1))
    band, scale = _penalised(equations.band, basis.penalty_band, *rate)
    head, unit = _head(equations.head, curved)
    if not (np.all(scale > 0.0) and np.all(unit > 0.0)):
        raise np.linalg.LinAlgError("a parameter has no effect on the picture")
    # columns of a lower band, each from its diagonal on, are LAPACK's rows
    factor, fault = dpbtrf(band.T, lower=1, overwrite_ab=1)
    if fault:
        raise np.linalg.LinAlgError("the fields aren't determined")
    root, own = factor.T, len(unit)
    half = np.empty((len(scale), own + 1))
    np.multiply(equations.border, 1.0 / unit, out=half[:, :own])
    half[:, own] = equations.pull - pulled.reshape(-1)
    half /= scale[:, None]
    pull = equations.head_pull / unit
    if not curved:
        half[:, own - 1], pull[own - 1] = 0.0, 0.0
    _forward(root, half)
    whole = half.T @ half
    schur = head - whole[:own, :own]
    pull -= whole[:own, own]
    small = np.linalg.cholesky(schur)
    explained = float(whole[own, own]) + float(pull @ np.linalg.solve(schur, pull))
    logs = _log_of(root[:, 0]) + _log_of(scale) + _log_of(np.diag(small)) + _log_of(unit)
    prior = 2.0 * basis.rank * sum(math.log(amplitude) for amplitude in amplitudes)
    return Solved(
        basis, equations, amplitudes, root, scale, half, schur, pull, unit,
        left - explained + 2.0 * logs + prior,
    )  # fmt: skip


def _head(head: Array, curved: bool) -> tuple[Array, Array]:
    """Return the head over its scale, c held unless `curved`, and that scale (H + 1,)."""
    unit = np.sqrt(np.diag(head))
    if not curved:
        unit[-1] = 1.0
    safe = np.where(unit > 0.0, unit, 1.0)
    scaled = head / np.outer(safe, safe)
    if not curved:
        scaled[-1], scaled[:, -1] = 0.0, 0.0
        scaled[-1, -1] = 1.0
    scaled[np.diag_indices_from(scaled)] += JITTER
    return scaled, unit


@kernel
def _log_of(values: Array) -> float:
    total = 0.0
    for value in values:
        total += np.log(value)
    return total


@kernel
def _penalised(band: Array, penalty: Array, first: float, second: float) -> tuple[Array, Array]:
    """Return the band with a's and b's penalties, rows and columns over their scale, and that."""
    count, reach = band.shape
    scale, inverse = np.empty(count), np.zeros(count)
    for j in range(count):
        scale[j] = np.sqrt(band[j, 0] + (first if j % 2 == 0 else second) * penalty[j // 2, 0])
        if scale[j] > 0.0:
            inverse[j] = 1.0 / scale[j]
    scaled = band.copy()
    for j in range(count):
        rate, own = first if j % 2 == 0 else second, inverse[j]
        for d in range(penalty.shape[1]):
            scaled[j, 2 * d] += rate * penalty[j // 2, d]
        for d in range(min(reach, count - j)):
            scaled[j, d] *= own * inverse[j + d]
        scaled[j, 0] += JITTER
    return scaled, scale


@kernel
def _forward(root: Array, half: Array) -> None:
    """Solve L x = half (2 size, K) in place; L's columns from the diagonal on."""
    count, reach = root.shape
    for j in range(count):
        whole = 1.0 / root[j, 0]
        for k in range(half.shape[1]):
            half[j, k] *= whole
        for d in range(1, min(reach, count - j)):
            factor = root[j, d]
            for k in range(half.shape[1]):
                half[j + d, k] -= factor * half[j, k]


@kernel
def _backward(root: Array, half: Array) -> Array:
    """Solve Lᵀ x = half (2 size, K)."""
    count, reach = root.shape
    found = half.copy()
    for j in range(count - 1, -1, -1):
        for d in range(1, min(reach, count - j)):
            factor = root[j, d]
            for k in range(found.shape[1]):
                found[j, k] -= factor * found[j + d, k]
        whole = 1.0 / root[j, 0]
        for k in range(found.shape[1]):
            found[j, k] *= whole
    return found


@kernel
def _trace(root: Array, scale: Array, penalty: Array, first: float, second: float) -> float:
    """Return the trace of the band's inverse times the penalty.

    The inverse within the band alone, from the last row up (Erisman and Tinney 1975,
    doi:10.1145/360680.360704).
    """
    count, reach = root.shape
    inverse = np.zeros((count + reach, 2 * reach))  # row i, column reach + j - i
    row = np.empty(reach)
    total = 0.0
    for i in range(count - 1, -1, -1):
        row[:] = 0.0
        most = min(reach, count - i)
        for k in range(1, most):
            factor = root[i, k] / root[i, 0]
            for j in range(1, most):
                row[j] -= factor * inverse[i + k, reach + j - k]
        own = 1.0 / root[i, 0] ** 2
        for k in range(1, most):
            own -= root[i, k] / root[i, 0] * row[k]
            inverse[i, reach + k] = row[k]
            inverse[i + k, reach - k] = row[k]
        inverse[i, reach] = own
        rate = first if i % 2 == 0 else second
        total += rate * penalty[i // 2, 0] * own / scale[i] ** 2
        for d in range(1, penalty.shape[1]):
            if i + 2 * d < count:
                part = rate * penalty[i // 2, d] * inverse[i, reach + 2 * d]
                total += 2.0 * part / (scale[i] * scale[i + 2 * d])
    return total
