"""Exact bounds of rates, which decide; intervals of rates, RMS and quantiles, which describe.

A limit rests on Clopper and Pearson's bounds alone: they hold for every rate and every number of
trials, and know nothing of how errors are distributed. Wilson's, the bootstrap's and those of
order statistics stand beside numbers: ``interval`` splits the error over both ends, ``bounds``
puts all of it on each end, so that each end on its own is a one-sided bound.
"""

# scipy.stats takes a good part of a command's start: it is imported where it is used.
from __future__ import annotations

import math

import numpy as np

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
    from scipy import stats

    interval = stats.binomtest(k, n).proportion_ci(confidence, method="wilson")
    return float(interval.low), float(interval.high)


def wilson_bounds(k: int, n: int, confidence: float) -> tuple[float, float]:
    """Return the one-sided Wilson lower and upper bounds of a rate, each at `confidence`."""
    # a two-sided interval that leaves 1 - c at either end has both bounds as its ends
    return wilson_interval(k, n, 2.0 * confidence - 1.0) if confidence > 0.5 else (k / n, k / n)


def exact_bounds(k: float, n: float, confidence: float) -> tuple[float, float]:
    """Return one-sided lower and upper bounds of a rate, k of n, each at `confidence`.

    Clopper and Pearson 1934 (Biometrika 26, 404): the quantiles of two beta distributions. Each
    misses with a chance of at most ``1 - confidence`` whatever the rate. k and n needn't be whole.

    Raises
    ------
    ValueError
        n is not positive, or k lies outside 0 to n.
    """
    from scipy import stats

    if not 0.0 <= k <= n or n <= 0.0:
        raise ValueError(f"{k} of {n} is no rate")
    low = 0.0 if k == 0.0 else float(stats.beta.ppf(1.0 - confidence, k, n - k + 1.0))
    high = 1.0 if k == n else float(stats.beta.ppf(confidence, k + 1.0, n - k))
    return low, high


def misses_allowed(n: int, level: float, confidence: float) -> int:
    """Return how many of n trials may fail where the exact bound still shows `level`; -1: none.

    The bound is inside where a rate of just `level` gives so few misses with a chance of at most
    ``1 - confidence``.
    """
    from scipy import stats

    error = 1.0 - confidence
    # the quantile is the first count whose chance of so few or fewer reaches the error
    found = int(stats.binom.ppf(error, n, 1.0 - level))
    return found if stats.binom.cdf(found, n, 1.0 - level) <= error else found - 1


def trials_for_misses(misses: int, level: float, confidence: float) -> int:
    """Return the fewest trials that show `level` with so many misses (Wilks 1941).

    95 % at 95 % takes 59, 93, 124, 153 for 0, 1, 2, 3.
    """
    low, high = misses, 1
    while misses_allowed(high, level, confidence) < misses:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        if misses_allowed(middle, level, confidence) < misses:
            low = middle
        else:
            high = middle
    return high


def chance_shown(n: int, level: float, confidence: float, truth: float) -> float:
    """Return the chance that n trials at a true rate show `level`."""
    from scipy import stats

    return float(stats.binom.cdf(misses_allowed(n, level, confidence), n, 1.0 - truth))


def trials_to_decide_rate(
    k: int, n: int, level: float, confidence: float, most: int = 10_000_000
) -> int | None:
    """Return about how many trials at the observed rate k/n would decide against `level`.

    None where `most` wouldn't. Of a rate at which nothing ever fails it is the exact number.
    """
    rate = k / n

    def decides(trials: int) -> bool:
        low, high = exact_bounds(rate * trials, trials, confidence)
        return low >= level or high < level

    if not decides(most):
        return None
    low, high = 0, most
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if decides(middle) else (middle, high)
    return high


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
    from scipy import stats

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
