"""Quasi-random variation within a cell: an additive recurrence with a shift of its own.

The R-sequence ``x_n = (s + n a) mod 1`` with ``a_j = g^-(j+1)`` and g the positive root of
``g^(d+1) = g + 1`` (M. Roberts 2018, "The unreasonable effectiveness of quasirandom
sequences"; d = 1 is the golden ratio) spreads points evenly for every n, so that trials can
be added without choosing their number first. The shift s (Cranley and Patterson 1976,
doi:10.1137/0713071), drawn for each cell, makes any statistic of it unbiased and keeps cells
from sharing their points.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import scipy

from bench.digest import key_digest
from bench.typing import Array


@cache
def recurrence_steps(dimensions: int) -> Array:
    """Return the R-sequence's steps (dimensions,), each in 0 to 1; read only."""
    g = scipy.optimize.brentq(lambda x: x ** (dimensions + 1) - x - 1.0, 1.0, 2.0, xtol=1e-15)
    steps: Array = float(g) ** -np.arange(1.0, dimensions + 1.0)
    steps.flags.writeable = False
    return steps


def cell_shift(seed: int, cell_key: str, dimensions: int) -> Array:
    """Return the shift (dimensions,), uniform in 0 to 1, of one cell."""
    sequence = np.random.SeedSequence([seed, key_digest(cell_key)])
    return np.random.default_rng(sequence).random(dimensions)


def point(shift: Array, steps: Array, n: int) -> Array:
    """Return the n-th point (dimensions,), each in 0 to 1 (1 excluded)."""
    return np.asarray((shift + n * steps) % 1.0)
