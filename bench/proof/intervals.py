"""Intervals of variances that are sums and differences of independent mean squares.

Each mean square is its expectation times a chi-square over its degrees of freedom. Sums:
Graybill and Wang 1980 (doi:10.1080/01621459.1980.10477565); differences: Ting, Burdick, Graybill,
Jeyaratnam and Lu 1990 (doi:10.1080/00949659008811240). Both are exact where one term is alone
and keep their confidence within about 0.01 else (tests/proof/ measures it).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import scipy

Interval = tuple[float, float]


def _g_and_h(dof: float, alpha: float) -> tuple[float, float]:
    """Return G = 1 - dof/χ²(upper α) and H = dof/χ²(lower α) - 1."""
    low, high = scipy.stats.chi2.ppf([alpha, 1.0 - alpha], dof)
    return 1.0 - dof / float(high), dof / float(low) - 1.0


def single_interval(ms: float, dof: float, confidence: float) -> Interval:
    """Return the interval of one mean square's expectation, exact."""
    g, h = _g_and_h(dof, 0.5 * (1.0 - confidence))
    return ms * (1.0 - g), ms * (1.0 + h)


def sum_interval(terms: Sequence[tuple[float, float]], confidence: float) -> Interval:
    """Return the interval of a sum of (value, degrees of freedom), all values ≥ 0."""
    total = sum(value for value, _ in terms)
    alpha = 0.5 * (1.0 - confidence)
    below = above = 0.0
    for value, dof in terms:
        g, h = _g_and_h(dof, alpha)
        below += (g * value) ** 2
        above += (h * value) ** 2
    return total - math.sqrt(below), total + math.sqrt(above)


def difference_interval(
    first: float, dof1: float, second: float, dof2: float, confidence: float
) -> Interval:
    """Return the interval of one expectation less another; may be negative at both ends."""
    alpha = 0.5 * (1.0 - confidence)
    g1, h1 = _g_and_h(dof1, alpha)
    g2, h2 = _g_and_h(dof2, alpha)
    upper = float(scipy.stats.f.isf(alpha, dof1, dof2))
    lower = float(scipy.stats.f.isf(1.0 - alpha, dof1, dof2))
    g12 = ((upper - 1.0) ** 2 - (g1 * upper) ** 2 - h2**2) / upper
    h12 = ((1.0 - lower) ** 2 - (h1 * lower) ** 2 - g2**2) / lower
    below = (g1 * first) ** 2 + (h2 * second) ** 2 + g12 * first * second
    above = (h1 * first) ** 2 + (g2 * second) ** 2 + h12 * first * second
    middle = first - second
    return middle - math.sqrt(max(below, 0.0)), middle + math.sqrt(max(above, 0.0))
