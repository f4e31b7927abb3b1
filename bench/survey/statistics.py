"""Intervals: Wilson for rates, bootstrap for RMS, order statistics for quantiles.

A two-sided interval describes; a one-sided bound decides. Both are asked for by the `tails`:
``interval`` splits the error over both ends, ``bounds`` puts all of it on each end, so that
each end on its own is a one-sided bound at the stated confidence.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import stats
from scipy.special import ndtri

from bench.digest import key_digest
from bench.typing import Array

RESAMPLES = 1000
# Fewer errors than this get no RMS bound. For Gaussian errors each 95 % bound covers within
# 0.02 of its promise here and within 0.01 at 300 (tests/survey/ measures both).
MIN_BOOTSTRAP = 30
# Elements of one batch of resamples: 16 MB of float64.
BATCH = 2_000_000


def wilson_interval(k: int, n: int, confidence: float) -> tuple[float, float]:
    """Return the two-sided Wilson score interval of a rate, k of n (Wilson 1927).

    Raises
    ------
    ValueError
        n is not positive, or k lies outside 0 to n.
    """
    interval = stats.binomtest(k, n).proportion_ci(confidence, method="wilson")
    return float(interval.low), float(interval.high)


def wilson_bounds(k: int, n: int, confidence: float) -> tuple[float, float]:
    """Return the one-sided Wilson lower and upper bounds of a rate, each at `confidence`."""
    # a two-sided interval that leaves 1 - c at either end has both bounds as its ends
    return wilson_interval(k, n, 2.0 * confidence - 1.0) if confidence > 0.5 else (k / n, k / n)


def trials_to_decide_rate(k: int, n: int, level: float, confidence: float) -> int | None:
    """Return the trials after which the observed rate k/n would decide against `level`.

    The Wilson bound inverts the score test, so the bound reaches the level where
    ``(p - level)² = z² level (1 - level) / n``. None where the observed rate is the level
    itself, which no number of trials decides.
    """
    rate = k / n
    if rate == level:
        return None
    z = float(ndtri(confidence))
    # the relative 1e-12 keeps rounding from adding a trial where the quotient is whole
    return math.ceil(z * z * level * (1.0 - level) / (rate - level) ** 2 * (1.0 - 1e-12))


def studentised_resamples(squares: Array, rng: np.random.Generator) -> Array:
    """Return sorted studentised deviations (RESAMPLES,) of the log mean square.

    Each is ``(log m* - log m) / s*``, with m* the mean of a resample of `squares` (n,) and s*
    its standard error by the delta method, ``std* / (m* sqrt(n))``: bootstrap-t (Efron and
    Tibshirani 1993, chapter 12) on the logarithm, which keeps the bounds positive. It covers
    better than percentile or BCa intervals for squares, whose distribution is skewed.
    """
    n = len(squares)
    mean = squares.mean()
    deviations = np.empty(RESAMPLES)
    step = max(1, BATCH // n)
    for start in range(0, RESAMPLES, step):
        count = min(step, RESAMPLES - start)
        drawn = squares[rng.integers(0, n, size=(count, n), dtype=np.int32)]
        drawn_mean = drawn.mean(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            error = drawn.std(axis=1) / (drawn_mean * math.sqrt(n))
            deviation = (np.log(drawn_mean) - math.log(mean)) / error
        # a resample without spread says nothing of the error: take its sign at full weight,
        # which can only widen the interval
        flat = np.isnan(deviation) | (error == 0.0)
        deviation[flat] = np.where(drawn_mean[flat] < mean, -np.inf, np.inf)
        deviations[start : start + count] = deviation
    return np.sort(deviations)


def rms_bounds(errors: Array, confidence: float, identity: str) -> tuple[float, float]:
    """Return one-sided lower and upper bounds of the RMS of `errors` (n,), each at `confidence`.

    Parameters
    ----------
    errors : (n,) float64
        Independent errors.
    confidence : float
        Of each bound on its own, 0.5 to 1.
    identity : str
        Seeds the resampling: the same errors of the same cell give the same bounds.

    Returns
    -------
    (float, float)
        NaN for fewer than `MIN_BOOTSTRAP` errors; the upper bound is infinite where the
        resamples can't tell.
    """
    squares = np.square(np.asarray(errors, dtype=np.float64))
    n = len(squares)
    if n < MIN_BOOTSTRAP:
        return math.nan, math.nan
    mean, spread = float(squares.mean()), float(squares.std())
    if spread == 0.0:
        return math.sqrt(mean), math.sqrt(mean)
    deviations = studentised_resamples(squares, np.random.default_rng(key_digest(identity)))
    # inverted_cdf picks one of the deviations, so that an infinite one stays apart
    low, high = np.quantile(deviations, [1.0 - confidence, confidence], method="inverted_cdf")
    error = spread / (mean * math.sqrt(n))
    with np.errstate(over="ignore"):
        return (
            float(np.sqrt(mean * np.exp(-error * high))),
            float(np.sqrt(mean * np.exp(-error * low))),
        )


def rms_interval(errors: Array, confidence: float, identity: str) -> tuple[float, float]:
    """Return the two-sided interval of the RMS of `errors` (n,); see `rms_bounds`."""
    return rms_bounds(errors, 0.5 * (1.0 + confidence), identity)


def quantile_bounds(values: Array, p: float, confidence: float) -> tuple[float, float]:
    """Return one-sided lower and upper bounds of the p-quantile of `values` (n,).

    Order statistics with binomial ranks: their coverage is at least `confidence` whatever the
    distribution (Conover 1999, section 3.2), which no bootstrap of a quantile can promise.
    NaN where n is too small for a bound: a 95 % upper bound on the 95th percentile needs 59
    values (Wilks 1941).
    """
    if len(values) == 0:
        return math.nan, math.nan
    bounds = [
        stats.quantile_test(values, p=p, alternative=side).confidence_interval(confidence)
        for side in ("greater", "less")
    ]
    low, high = float(bounds[0].low), float(bounds[1].high)
    return (low if math.isfinite(low) else math.nan), (high if math.isfinite(high) else math.nan)


def quantile_interval(values: Array, p: float, confidence: float) -> tuple[float, float]:
    """Return the two-sided interval of the p-quantile of `values` (n,); see `quantile_bounds`."""
    return quantile_bounds(values, p, 0.5 * (1.0 + confidence))


def trials_for_quantile_bound(p: float, confidence: float) -> int:
    """Return the fewest values that allow an upper bound on the p-quantile (Wilks 1941)."""
    return math.ceil(math.log(1.0 - confidence) / math.log(p))
