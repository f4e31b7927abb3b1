"""Tests of paired numbers that need no assumption but that old and new could be swapped.

Where a change does nothing, swapping a case's old and new result leaves all as likely as it
was. So the sign of every difference is a coin's toss: a count of cases that changed one way is
binomial (McNemar's test, exact), and a sum of differences has the distribution of sums with
random signs. The tail of the latter comes from its cumulant generating function, Σ log cosh(t d),
by a saddlepoint (Robinson 1982, "Saddlepoint approximations for permutation tests"; Lugannani
and Rice 1980): unlike drawing signs it is the same every time, and right far out, where error
control over a hundred tests has to look.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import scipy
from scipy.special import ndtr, ndtri, stdtrit

from bench.typing import Array, BoolArray

# Up to so many differences all signs are tried; beyond, the saddlepoint is right to some per
# cent of the tail (tests/verify/test_compare_statistics.py measures it).
ENUMERATED = 12
NEWTON_STEPS = 60
RESAMPLES = 2000


def mcnemar(lost: int, gained: int) -> tuple[float, float]:
    """Return the exact one-sided p-values that more was lost than gained, and the reverse."""
    n = lost + gained
    if n == 0:
        return 1.0, 1.0
    return float(scipy.stats.binom.sf(lost - 1, n, 0.5)), float(
        scipy.stats.binom.sf(gained - 1, n, 0.5)
    )


def sign_flip(differences: Array) -> tuple[float, float]:
    """Return the one-sided p-values that differences (n,) are above zero, and below.

    Each is the probability that the same differences with random signs have as large a sum.
    """
    d = np.abs(differences[differences != 0.0])
    if len(d) == 0:
        return 1.0, 1.0
    scale = float(d.max())
    d, total = d / scale, float(np.sum(differences)) / scale
    return _upper_tail(d, total), _upper_tail(d, -total)


def _upper_tail(d: Array, total: float) -> float:
    if len(d) <= ENUMERATED:
        signs = 1.0 - 2.0 * ((np.arange(2 ** len(d))[:, None] >> np.arange(len(d))) & 1)
        # equal sums must count as equal, whatever order they were added in
        return float(np.mean(signs @ d >= total - 1e-9 * d.sum()))
    if total >= d.sum() * (1.0 - 1e-9):
        return float(0.5 ** len(d))
    if total <= 0.0:
        return 1.0 - _saddlepoint(d, -total)
    return _saddlepoint(d, total)


def _saddlepoint(d: Array, total: float) -> float:
    """Return the probability that Σ ± d reaches `total`, which is not negative."""
    spread = math.sqrt(float(d @ d))
    if total < 1e-6 * spread:
        return 0.5
    t = total / spread**2
    for _ in range(NEWTON_STEPS):  # K' is concave there, so steps from below don't overshoot
        tanh = np.tanh(t * d)
        step = (total - float(d @ tanh)) / max(float((d * d) @ (1.0 - tanh * tanh)), 1e-300)
        t += step
        if abs(step) < 1e-10 * t:
            break
    x = t * d
    cumulant = float(np.sum(x + np.log1p(np.exp(-2.0 * x)) - math.log(2.0)))
    root = math.sqrt(max(2.0 * (t * total - cumulant), 0.0))
    if root < 1e-4:
        return 0.5
    density = math.exp(-0.5 * root * root)
    q = t * math.sqrt(float((d * d) @ (1.0 - np.tanh(x) ** 2)))
    if q < 1e-6 * root:  # nearly all signs alike: Chernoff's bound, which is never too small
        return max(density, 0.5 ** len(d))
    tail = float(ndtr(-root)) + density / math.sqrt(2.0 * math.pi) * (1.0 / q - 1.0 / root)
    # beyond Chernoff's bound there is nothing, nor is anything rarer than one pattern of signs
    return max(min(tail, density, 1.0), 0.5 ** len(d))


def holm(p_values: Sequence[float], weights: Sequence[float], alpha: float) -> BoolArray:
    """Return which hypotheses (n,) are rejected with family-wise error at most `alpha`.

    Holm's step-down procedure (1979), with weights: the hypothesis with the least p / w is
    held against alpha w / (weights of those left), then the next, until one stands.
    """
    p, w = np.asarray(p_values, dtype=np.float64), np.asarray(weights, dtype=np.float64)
    rejected = np.zeros(len(p), dtype=np.bool_)
    left = float(w.sum())
    for i in np.argsort(p / w, kind="stable"):
        if p[i] > alpha * w[i] / left:
            break
        rejected[i] = True
        left -= float(w[i])
    return rejected


def loss_bounds(lost: int, gained: int, n: int, confidence: float) -> tuple[float, float]:
    """Return one-sided bounds of a paired drop of a rate, each at `confidence`.

    Wald's interval with one pseudo-case lost and one gained (Bonett and Price 2012,
    doi:10.3102/1076998611411915, from memory), within what a rate can lose.
    """
    lost_rate, gained_rate = (lost + 1) / (n + 2), (gained + 1) / (n + 2)
    drop = lost_rate - gained_rate
    half = float(ndtri(confidence)) * math.sqrt(
        max(lost_rate + gained_rate - drop * drop, 0.0) / (n + 2)
    )
    return max(drop - half, -1.0), min(drop + half, 1.0)


def cases_for_rate(margin: float, discordant: float, drop: float, confidence: float) -> int | None:
    """Return how many cases show that a rate fell by no more than `margin`.

    Parameters
    ----------
    margin : float
        Of the rate.
    discordant, drop : float
        Rates of pairs that changed either way, and the net one, that are expected.
    confidence : float
        Of the bound, one-sided.

    Returns
    -------
    int or None
        By the bound of `loss_bounds`; None where the drop itself is beyond the margin.
    """
    if drop >= margin:
        return None
    z = float(ndtri(confidence))
    # without a pair that changed the pseudo-cases alone make the bound: z √2 / (n + 2)
    fewest = z * math.sqrt(2.0) / margin - 2.0
    spread = z * z * max(discordant - drop * drop, 0.0) / (margin - drop) ** 2
    return math.ceil(max(fewest, spread, 1.0))


def mean_bounds(values: Array, confidence: float) -> tuple[float, float]:
    """Return one-sided bounds of the mean of values (n,), each at `confidence`, by Student's t."""
    n = len(values)
    if n < 2:
        return -math.inf, math.inf
    half = float(stdtrit(n - 1, confidence)) * float(values.std(ddof=1)) / math.sqrt(n)
    mean = float(values.mean())
    return mean - half, mean + half


def rms_ratio_bounds(
    old: Array, new: Array, weights: Array, confidence: float
) -> tuple[float, float, float]:
    """Return the ratio new / old of weighted RMS of paired errors (n,), and its bounds.

    The bounds are one-sided, each at `confidence`, by the delta method on the ratio's
    logarithm: a case adds ``w (e'² / m' - e² / m) / 2`` with m, m' the weighted mean squares.
    """
    a, b = weights * old * old, weights * new * new
    mean_a, mean_b = float(a.mean()), float(b.mean())
    if mean_a <= 0.0 or mean_b <= 0.0:
        same = mean_a == mean_b
        return (1.0, 1.0, 1.0) if same else (math.nan, 0.0, math.inf)
    influence = 0.5 * (b / mean_b - a / mean_a)
    ratio = math.sqrt(mean_b / mean_a)
    half = float(ndtri(confidence)) * float(influence.std(ddof=1)) / math.sqrt(len(a))
    return ratio, ratio * math.exp(-half), ratio * math.exp(half)


def quantile_ratio_bounds(
    old: Array, new: Array, p: float, confidence: float, rng: np.random.Generator
) -> tuple[float, float]:
    """Return bounds of the ratio new / old of a quantile of magnitudes (n,): paired bootstrap."""
    n = len(old)
    chosen = rng.integers(0, n, size=(RESAMPLES, n), dtype=np.int32)
    a, b = (np.quantile(np.abs(x)[chosen], p, axis=1) for x in (old, new))
    with np.errstate(divide="ignore", invalid="ignore"):
        low, high = np.nanquantile(b / a, [1.0 - confidence, confidence])
    return float(low), float(high)
