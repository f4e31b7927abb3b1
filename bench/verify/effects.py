"""Tests of a comparison, one each: its p-values, its effect, and how much worse it could be."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import digamma

from bench.typing import Array, BoolArray
from bench.verify.margins import Margins
from bench.verify.paired import (
    cases_for_rate,
    loss_bounds,
    mcnemar,
    mean_bounds,
    rms_ratio_bounds,
    sign_flip,
)

if TYPE_CHECKING:
    from bench.verify.compare import Side

CONFIDENCE = 0.95  # of each bound, one-sided
MIN_PAIRS = 30  # fewer say nothing of an error's size
# E ln χ² with 6 degrees of freedom: what ln of the NEES averages where claims are honest.
HONEST = float(digamma(3.0)) + math.log(2.0)


@dataclass(frozen=True)
class Measured:
    """What a test found.

    Attributes
    ----------
    test : str
        Its name.
    old, new : float
        The quantity before and now, in `unit`.
    unit : str
        ``""`` for a rate.
    effect, bound, margin : float
        How much worse it is (negative: better), how much worse it could be at 95 %, and how much
        worse is allowed, all in the same terms.
    relative : bool
        Whether those are fractions of the old value.
    p_worse, p_better : float
        One-sided.
    n : int
        Pairs that it rests on.
    needed : bool
        Whether "as good" can't be said without it.
    rate_cases : int or None
        Of a rate, `cases_needed`.
    """

    test: str
    old: float
    new: float
    unit: str
    effect: float
    bound: float
    margin: float
    relative: bool
    p_worse: float
    p_better: float
    n: int
    needed: bool = False
    rate_cases: int | None = None

    @property
    def cases_needed(self) -> int | None:
        """About how many cases show that the margin is kept, if the effect stays what it is.

        None where the effect is beyond the margin, or isn't known. A bound's distance from its
        effect falls with the square root of the cases.
        """
        if self.unit == "":
            return self.rate_cases
        if not (math.isfinite(self.effect) and math.isfinite(self.bound)):
            return None
        effect, bound, margin = self.effect, self.bound, self.margin
        if self.relative:
            effect, bound, margin = (math.log1p(x) for x in (effect, bound, margin))
        if effect >= margin:
            return None
        return max(MIN_PAIRS, math.ceil(self.n * ((bound - effect) / (margin - effect)) ** 2))


@dataclass(frozen=True)
class Test:
    """One test: its name, its share of the error, and how it measures."""

    name: str
    weight: float
    function: Callable[[str, Side, Side, Margins], Measured]

    def measure(self, old: Side, new: Side, margins: Margins) -> Measured:
        """Return what it finds in paired sides."""
        return self.function(self.name, old, new, margins)


def _rate(pick: Callable[[Side], BoolArray], needed: bool) -> Callable[..., Measured]:
    def measure(name: str, old: Side, new: Side, margins: Margins) -> Measured:
        a, b = pick(old), pick(new)
        n, lost, gained = len(a), int(np.sum(a & ~b)), int(np.sum(~a & b))
        p_worse, p_better = mcnemar(lost, gained)
        bound = loss_bounds(lost, gained, n, CONFIDENCE)[1]
        drop = (lost - gained) / n
        before, now = float(a.mean()), float(b.mean())
        cases = cases_for_rate(margins.rate, (lost + gained) / n, drop, CONFIDENCE)
        effect = (drop, bound, margins.rate, False)
        return Measured(name, before, now, "", *effect, p_worse, p_better, n, needed, cases)

    return measure


def _both(old: Side, new: Side, *columns: str) -> BoolArray:
    """Return which pairs are usable on both sides and have all columns on both."""
    chosen = old.good & new.good
    for name in columns:
        chosen = chosen & np.isfinite(old[name]) & np.isfinite(new[name])
    return chosen


def _weights(old: Side, new: Side, claim: str) -> Array:
    """Return weights (n,): the inverse of both claims' variance, where all cases have them.

    A range or tilt at which errors are large would drown the others. What is claimed tells how
    large they are meant to be; the sum over old and new is the same when they are swapped, as
    the test demands.
    """
    variance = old[claim] ** 2 + new[claim] ** 2
    if not (np.all(np.isfinite(variance)) and np.all(variance > 0.0)):
        return np.ones(len(variance))
    return np.asarray(np.median(variance) / variance)


def _size(side: Side, columns: tuple[str, ...]) -> Array:
    """Return the length (n,) of an error of one or more components."""
    return np.asarray(np.sqrt(sum(side[c] ** 2 for c in columns)))


ROTATION = ("rot_x_deg", "rot_y_deg", "rot_z_deg")


def _rms(columns: tuple[str, ...], unit: str, claim: str, needed: bool) -> Callable[..., Measured]:
    def measure(name: str, old: Side, new: Side, margins: Margins) -> Measured:
        chosen = _both(old, new, *columns)
        # a group in which the old one hardly ever succeeds has no error to keep
        need = needed and int(np.sum(old.good)) >= MIN_PAIRS
        if np.sum(chosen) < 2:
            return _nothing(name, unit, margins.error, int(np.sum(chosen)), need)
        old, new = old.take(chosen), new.take(chosen)
        a, b, w = _size(old, columns), _size(new, columns), _weights(old, new, claim)
        p_worse, p_better = sign_flip(w * (b * b - a * a))
        ratio, _, high = rms_ratio_bounds(a, b, w, CONFIDENCE)
        before, now = (float(np.sqrt(np.mean(e * e))) for e in (a, b))
        effect = (ratio - 1.0, high - 1.0, margins.error, True)
        return Measured(name, before, now, unit, *effect, p_worse, p_better, len(a), need)

    return measure


def _nothing(name: str, unit: str, margin: float, n: int, needed: bool) -> Measured:
    nan = math.nan
    return Measured(name, nan, nan, unit, nan, math.inf, margin, True, 1.0, 1.0, n, needed)


def _quantile(columns: tuple[str, ...], unit: str, p: float) -> Callable[..., Measured]:
    """Test a quantile by how many pairs cross it: the quantile of old and new taken together."""

    def measure(name: str, old: Side, new: Side, margins: Margins) -> Measured:
        chosen = _both(old, new, *columns)
        if np.sum(chosen) < 2:
            return _nothing(name, unit, margins.error, int(np.sum(chosen)), False)
        a, b = _size(old.take(chosen), columns), _size(new.take(chosen), columns)
        level = float(np.quantile(np.concatenate((a, b)), p))
        p_worse, p_better = mcnemar(
            int(np.sum((a <= level) & (b > level))), int(np.sum((a > level) & (b <= level)))
        )
        before, now = float(np.quantile(a, p)), float(np.quantile(b, p))
        rise = now / before - 1.0 if before > 0.0 else math.nan
        # its bound takes a bootstrap and decides nothing: the report asks for it
        effect = (rise, math.inf, margins.error, True)
        return Measured(name, before, now, unit, *effect, p_worse, p_better, len(a))

    return measure


def _mean(
    column: str, unit: str, margin: Callable[[Margins, Array], float], needed: bool = False
) -> Callable[..., Measured]:
    """Test a mean error: worse is farther from zero."""

    def measure(name: str, old: Side, new: Side, margins: Margins) -> Measured:
        chosen = _both(old, new, column)
        if np.sum(chosen) < 2:
            return _nothing(name, unit, math.nan, int(np.sum(chosen)), False)
        a, b = old.take(chosen)[column], new.take(chosen)[column]
        return _moved(name, unit, a, b, margin(margins, a), needed)

    return measure


def _moved(
    name: str, unit: str, a: Array, b: Array, margin: float, needed: bool = False
) -> Measured:
    """Test whether a mean moved from 0, either way."""
    above, below = sign_flip(b - a)
    p = min(1.0, 2.0 * min(above, below))
    before, now = float(a.mean()), float(b.mean())
    worse = abs(now) > abs(before)
    low, high = mean_bounds(b - a, CONFIDENCE)
    farthest = max(abs(before + low), abs(before + high))
    effect = (abs(now) - abs(before), farthest - abs(before), margin, False)
    p_worse, p_better = (p, 1.0) if worse else (1.0, p)
    return Measured(name, before, now, unit, *effect, p_worse, p_better, len(a), needed)


def _claims(name: str, old: Side, new: Side, margins: Margins) -> Measured:
    """Test honesty: by what factor errors exceed what is claimed, as ln √(NEES)."""
    chosen = _both(old, new, "nees") & (old["nees"] > 0.0) & (new["nees"] > 0.0)
    if np.sum(chosen) < 2:
        return _nothing(name, "claimed", math.nan, int(np.sum(chosen)), False)
    a, b = (0.5 * (np.log(side.take(chosen)["nees"]) - HONEST) for side in (old, new))
    return _moved(name, "claimed", a, b, math.log1p(margins.error))


def _of_rms(margins: Margins, old: Array) -> float:
    return margins.error * float(np.sqrt(np.mean(old * old)))


def _corner(margins: Margins, old: Array) -> float:
    return margins.corner_px


_DETECTED = _rate(lambda side: side.detected, needed=True)
_USABLE = _rate(lambda side: side.good, needed=True)
SUITE_TESTS = (
    Test("detection rate", 8.0, _DETECTED),
    Test("usable rate", 2.0, _USABLE),
    Test("rotation RMS", 1.0, _rms(ROTATION, "deg", "sigma_rot_deg", needed=True)),
    Test("corner shift right", 1.0, _mean("du_px", "px", _corner, needed=True)),
    Test("corner shift down", 1.0, _mean("dv_px", "px", _corner, needed=True)),
    Test("corner shift outward", 1.0, _mean("out_px", "px", _corner)),
)
GROUP_TESTS: dict[bool, tuple[Test, ...]] = {
    False: (
        Test("detection rate", 1.0, _rate(lambda side: side.detected, needed=False)),
        Test("usable rate", 1.0, _rate(lambda side: side.good, needed=False)),
        Test("rotation RMS", 4.0, _rms(ROTATION, "deg", "sigma_rot_deg", needed=True)),
        Test("distance RMS", 2.0, _rms(("along_mm",), "mm", "sigma_along_mm", needed=False)),
        Test("rotation p95", 1.0, _quantile(ROTATION, "deg", 0.95)),
        Test("pitch bias", 0.5, _mean("rot_x_deg", "deg", _of_rms)),
        Test("turn bias", 0.5, _mean("rot_y_deg", "deg", _of_rms)),
        Test("roll bias", 0.5, _mean("rot_z_deg", "deg", _of_rms)),
        Test("distance bias", 0.5, _mean("along_mm", "mm", _of_rms)),
        Test("corner shift right", 0.5, _mean("du_px", "px", _corner)),
        Test("corner shift down", 0.5, _mean("dv_px", "px", _corner)),
        Test("claims", 1.0, _claims),
    ),
    True: (Test("empty pictures", 1.0, _rate(lambda side: side.good, needed=False)),),
}
