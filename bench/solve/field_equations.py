"""Normal equations of a picture whose light is two fields: a narrow band with a border.

A coefficient of a spline shares pixels with the few next to it alone. With a's and b's
coefficients in turn, column by column of the plate, what is known of them lies within 6 (rows + 3)
+ 7 of the diagonal; pose, blur, what boundaries share and c have part in all pixels and are the
border. A band's Cholesky factors take a tenth of the time of the whole matrix's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.kernel import kernel
from bench.solve.light_fields import LightBasis
from bench.typing import Array, IntArray


@dataclass(frozen=True, eq=False)
class Equations:
    """JᵀWJ and JᵀWr of a fit with fields, without the penalty.

    Attributes
    ----------
    head, head_pull : (H + 1, H + 1), (H + 1,) float64
        Of B's own parameters, and c, which comes last.
    border : (2 size, H + 1) float64
        Of the fields' coefficients, a's and b's in turn, with those.
    band, pull : (2 size, R + 1), (2 size,) float64
        Of the coefficients: column j of the lower triangle from its diagonal on.
    left : float
        Σ w r².
    coefficients : (2 size + 1,) float64
        Where they were taken: c, then a's and b's in turn.
    """

    head: Array
    head_pull: Array
    border: Array
    band: Array
    pull: Array
    left: float
    coefficients: Array

    def rough(self, basis: LightBasis) -> Array:
        """Return the penalty times a's and b's coefficients (size, 2)."""
        return np.asarray(basis.penalty @ self.coefficients[1:].reshape(-1, 2))


def field_equations(
    basis: LightBasis,
    sensitivity: Array,
    reflectance: Array,
    response: Array,
    residual: Array,
    weights: Array,
    coefficients: Array,
) -> Equations:
    """Return the equations at some coefficients (2 size + 1,).

    Parameters
    ----------
    basis : LightBasis
        Of the fields.
    sensitivity : (M, H) float64
        Of B by pose, blur and what else there is, at the first M pixels.
    reflectance, response : (N,) float64
        B and ∂μ/∂B.
    residual, weights : (N,) float64
        Grey values minus μ, inverse variances.
    coefficients : (2 size + 1,) float64
        Where.
    """
    head, border, band = _sums(
        basis.order, basis.starts, *basis.cells, basis.across, basis.down,
        sensitivity, reflectance, response, residual, weights,
    )  # fmt: skip
    return Equations(
        head[:-1, :-1],
        head[:-1, -1],
        border[:, :-1],
        band,
        border[:, -1],
        float(head[-1, -1]),
        coefficients,
    )


@kernel
def _sums(
    order: IntArray, starts: IntArray, columns: int, rows: int, across: Array, down: Array,
    sensitivity: Array, reflectance: Array, response: Array, residual: Array, weights: Array,
) -> tuple[Array, Array, Array]:  # fmt: skip
    """Return the head, c and the residual last, the fields' rows with it, and their band.

    Cell by cell, for within one all pixels share their coefficients. A product of two splines is
    one of ten across times one of ten down, and b's rows are a's times B: so all follows from the
    moments Σ w (1, B, B²) of a hundred products.
    """
    wide = rows + 3
    count = 2 * (columns + 3) * wide
    near, own = sensitivity.shape
    head, border = np.zeros((own + 2, own + 2)), np.zeros((count, own + 2))
    band = np.zeros((count, 6 * wide + 8))
    most = np.max(np.diff(starts))
    wide_pairs, tall_pairs = np.empty((most, 10)), np.empty((most, 30))
    share, row, weighted = (
        np.empty((most, 32)),
        np.empty((most, own + 2)),
        np.empty((most, own + 2)),
    )
    pair = np.empty((4, 4), np.int64)
    k = 0
    for a in range(4):
        for b in range(a + 1):
            pair[a, b] = pair[b, a] = k
            k += 1
    for c in range(len(starts) - 1):
        used = 0
        for m in range(starts[c], starts[c + 1]):
            n = order[m]
            w, value = weights[n], reflectance[n]
            if w == 0.0:
                continue
            k = 0
            for a in range(4):
                for b in range(a + 1):
                    wide_pairs[used, k] = across[n, a] * across[n, b]
                    both = w * down[n, a] * down[n, b]
                    tall_pairs[used, k] = both
                    tall_pairs[used, 10 + k] = both * value
                    tall_pairs[used, 20 + k] = both * value * value
                    k += 1
                for b in range(4):
                    part = across[n, a] * down[n, b]
                    share[used, 4 * a + b] = part
                    share[used, 16 + 4 * a + b] = part * value
            for q in range(own):
                row[used, q] = sensitivity[n, q] * response[n] if n < near else 0.0
            row[used, own], row[used, own + 1] = value * value, residual[n]
            for q in range(own + 2):
                weighted[used, q] = w * row[used, q]
            used += 1
        if used == 0:
            continue
        moments = np.dot(wide_pairs[:used].T, tall_pairs[:used])
        mixed = np.dot(share[:used].T, weighted[:used])
        head += np.dot(weighted[:used].T, row[:used])
        i, j = c // rows, c % rows
        for a in range(4):
            for b in range(4):
                at = 2 * ((i + a) * wide + j + b)
                border[at] += mixed[4 * a + b]
                border[at + 1] += mixed[16 + 4 * a + b]
                for p in range(4):
                    for q in range(4):
                        other = 2 * ((i + p) * wide + j + q)
                        x, y = pair[a, p], pair[b, q]
                        if at >= other:
                            band[other, at - other] += moments[x, y]
                            band[other, at + 1 - other] += moments[x, 10 + y]
                            band[other + 1, at - other] += moments[x, 20 + y]
                        if at > other:
                            band[other + 1, at - other - 1] += moments[x, 10 + y]
    return head, border, band
