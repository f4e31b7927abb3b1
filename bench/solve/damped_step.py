"""A damped step of least squares, compiled: the one that all fits of a pose take."""

from __future__ import annotations

import numpy as np

from bench.kernel import kernel
from bench.typing import Array, BoolArray


@kernel
def damped_step(information: Array, gradient: Array, damping: float, moving: BoolArray) -> Array:
    """Return the step (P,) that solves (JᵀWJ + damping·diag) step = JᵀWr, zero where held.

    Levenberg (1944) and Marquardt (1963), damped on the diagonal. By Cholesky factors, written
    out: a library call costs more than the arithmetic. NaN where the matrix isn't positive
    definite.

    Parameters
    ----------
    information, gradient : (P, P), (P,) float64
        JᵀWJ and JᵀWr.
    damping : float
        0 for a Gauss-Newton step.
    moving : (P,) bool
        Which parameters may change.
    """
    size = len(gradient)
    root, step = np.zeros((size, size)), np.zeros(size)
    for i in range(size):
        if not moving[i]:
            continue
        step[i] = gradient[i]
        for j in range(i + 1):
            if not moving[j]:
                continue
            rest = information[i, j] * (1.0 + damping) if i == j else information[i, j]
            for k in range(j):
                rest -= root[i, k] * root[j, k]
            if i > j:
                root[i, j] = rest / root[j, j]
                step[i] -= root[i, j] * step[j]
            elif rest > 0.0:
                root[i, i] = np.sqrt(rest)
                step[i] /= root[i, i]
            else:
                step[:] = np.nan
                return step
    for i in range(size - 1, -1, -1):
        if moving[i]:
            for k in range(i + 1, size):
                step[i] -= root[k, i] * step[k]
            step[i] /= root[i, i]
    return step
