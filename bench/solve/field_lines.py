"""Sums over the drawing's lines of a fit with fields, what light takes of each row left out."""

from __future__ import annotations

import numpy as np

from bench.kernel import kernel
from bench.solve.field_step import FieldFit, Step
from bench.typing import Array, IntArray


def field_line_sums(
    line: IntArray, fit: FieldFit, step: Step, taken: Array, weights: Array, against: Array
) -> tuple[Array, Array]:
    """Return each line's part of JᵀWJ (L, H, H) and of JᵀW times some vectors (L, H, V).

    As `bench.solve.leave_one_out.line_sums`; J's rows are derivatives of grey values by B's own
    parameters once c and the fields have followed, and are never kept.

    Parameters
    ----------
    line : (N,) int64
        To which line each pixel belongs.
    fit, step : FieldFit, Step
        At which fit, with derivatives of B from the step that led there, or nearby.
    taken : (1 + 2 size, H) float64
        How c and the fields follow, see `bench.solve.field_amplitude.Solved.without_light`.
    weights, against : (N,), (N, V) float64
        Inverse variances, and the vectors.
    """
    basis, own = fit.basis, taken.shape[1]
    parts, pulls = _sums(
        basis.order, basis.starts, *basis.cells, basis.across, basis.down,
        np.ascontiguousarray(taken[1:].reshape(-1, 2 * own)), np.ascontiguousarray(taken[0]),
        step.sensitivity, fit.reflectance, fit.response,
        line, weights, against, int(np.max(line)) + 1,
    )  # fmt: skip
    seen = np.bincount(line, minlength=len(parts)) > 0
    return parts[seen], pulls[seen]


@kernel
def _sums(
    order: IntArray, starts: IntArray, columns: int, rows: int, across: Array, down: Array,
    taken: Array, curve: Array, sensitivity: Array, reflectance: Array, response: Array,
    line: IntArray, weights: Array, against: Array, lines: int,
) -> tuple[Array, Array]:  # fmt: skip
    wide, (near, own), count = rows + 3, sensitivity.shape, against.shape[1]
    parts, pulls = np.zeros((lines, own, own)), np.zeros((lines, own, count))
    follow = np.empty((16, 2 * own))
    share, row = np.empty((np.max(np.diff(starts)), 16)), np.empty(own)
    for c in range(len(starts) - 1):
        first, last = starts[c], starts[c + 1]
        if first == last:
            continue
        i, j = c // rows, c % rows
        for a in range(4):
            for b in range(4):
                follow[4 * a + b] = taken[(i + a) * wide + j + b]
        for m in range(first, last):
            n = order[m]
            for a in range(4):
                for b in range(4):
                    share[m - first, 4 * a + b] = across[n, a] * down[n, b]
        # a's and b's share of each parameter, side by side
        light = np.dot(share[: last - first], follow)
        for m in range(first, last):
            n = order[m]
            w, value, k = weights[n], reflectance[n], line[n]
            if w == 0.0:
                continue
            for q in range(own):
                bent = curve[q] * value + light[m - first, own + q]
                row[q] = -bent * value - light[m - first, q]
            if n < near:
                for q in range(own):
                    row[q] += sensitivity[n, q] * response[n]
            for q in range(own):
                part = w * row[q]
                for p in range(own):
                    parts[k, q, p] += part * row[p]
                for v in range(count):
                    pulls[k, q, v] += part * against[n, v]
    return parts, pulls
