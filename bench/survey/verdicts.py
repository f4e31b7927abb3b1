"""Judging cells against a tolerance: holds, fails, or undecided with the trials it would take.

Bounds are one-sided. A cell *holds* where the bad end is inside the tolerance, *fails* where
the good end is outside, and is *undecided* between: it hasn't been looked at often enough.
Both questions, how often a pose is usable and how good it is, must hold.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import polars as pl

from bench.errors import ConfigError
from bench.survey.cells import CELL, Row, cells_of
from bench.survey.pieces import Cases
from bench.survey.statistics import (
    MIN_BOOTSTRAP,
    quantile_bounds,
    rms_bounds,
    trials_for_quantile_bound,
    trials_to_decide_rate,
    wilson_bounds,
)
from bench.typing import Array

HOLDS, FAILS, UNDECIDED = "holds", "fails", "undecided"
MOST_NEEDED = 10_000_000  # the most trials that a plan takes
STATISTICS = {"rms": "RMS", "p95": "95th percentile"}


@dataclass(frozen=True)
class Request:
    """What a limit must satisfy.

    Attributes
    ----------
    rotation_deg : float
        Tolerance of the rotation error, degrees.
    detection : float
        Least rate of usable poses, 0 to 1.
    confidence : float
        Of each one-sided bound, 0.5 to 1.
    statistic : {"rms", "p95"}
        What of the rotation error is held against the tolerance.

    Raises
    ------
    ConfigError
        A number is outside its limits, or the statistic is unknown.
    """

    rotation_deg: float = 0.05
    detection: float = 0.99
    confidence: float = 0.95
    statistic: str = "rms"

    def __post_init__(self) -> None:
        if not 0.0 < self.rotation_deg <= 180.0:
            raise ConfigError(
                f"rotation tolerance: {self.rotation_deg:g} deg lies outside 0 to 180 deg, "
                "0 excluded"
            )
        if not 0.0 < self.detection < 1.0:
            raise ConfigError(
                f"detection: {self.detection:g} lies outside 0 to 1, both excluded: no number "
                "of trials shows a rate of exactly 1"
            )
        if not 0.5 < self.confidence < 1.0:
            raise ConfigError(f"confidence: {self.confidence:g} lies outside 0.5 to 1")
        if self.statistic not in STATISTICS:
            raise ConfigError(
                f"statistic: {self.statistic!r} is not one of {', '.join(STATISTICS)}"
            )


@dataclass(frozen=True)
class Judgement:
    """One number against its level: value, one-sided bounds, verdict and trials needed.

    `needed` is the number of trials after which the value seen so far would decide; None where
    it is decided, or where no number can be given.
    """

    value: float
    low: float
    high: float
    verdict: str
    needed: int | None = None


def judge_rate(k: int, n: int, request: Request) -> Judgement:
    """Judge the rate of usable poses, k of n, against the detection level."""
    low, high = wilson_bounds(k, n, request.confidence)
    level = request.detection
    if low >= level:
        return Judgement(k / n, low, high, HOLDS)
    if high < level:
        return Judgement(k / n, low, high, FAILS)
    needed = trials_to_decide_rate(k, n, level, request.confidence)
    return Judgement(k / n, low, high, UNDECIDED, needed)


def judge_rotation(errors: Array, n: int, request: Request, identity: str) -> Judgement:
    """Judge the rotation errors (n_ok,), degrees, of a cell with n cases."""
    tolerance, n_ok = request.rotation_deg, len(errors)
    if n_ok == 0:
        return Judgement(math.nan, math.nan, math.nan, UNDECIDED)
    if request.statistic == "rms":
        value = math.sqrt(float(np.mean(errors**2)))
        low, high = rms_bounds(errors, request.confidence, identity)
        least = MIN_BOOTSTRAP
    else:
        value = float(np.quantile(np.abs(errors), 0.95))
        low, high = quantile_bounds(np.abs(errors), 0.95, request.confidence)
        least = trials_for_quantile_bound(0.95, request.confidence)
    if high <= tolerance:
        return Judgement(value, low, high, HOLDS)
    if low > tolerance:
        return Judgement(value, low, high, FAILS)
    if n_ok < least:
        return Judgement(value, low, high, UNDECIDED, math.ceil(least * n / n_ok))
    return Judgement(value, low, high, UNDECIDED, _needed(value, low, high, tolerance, n))


def _needed(value: float, low: float, high: float, tolerance: float, n: int) -> int | None:
    """Return the trials that would bring the bound to the tolerance: its distance goes as 1/√n.

    None where they are more than a plan takes: bounds of a few wild errors lie anywhere.
    """
    reach = high - value if value < tolerance else value - low
    gap = abs(tolerance - value)
    if gap == 0.0 or not math.isfinite(reach):
        return None
    needed = n * (reach / gap) ** 2
    return max(n + 1, math.ceil(needed)) if needed <= MOST_NEEDED else None


VERDICT_SCHEMA: dict[str, type[pl.DataType]] = {
    "pipeline": pl.String,
    "range_m": pl.Float64,
    "turn_deg": pl.Float64,
    "pitch_deg": pl.Float64,
    "tilt_deg": pl.Float64,
    "n": pl.Int64,
    "n_ok": pl.Int64,
    "usable_rate": pl.Float64,
    "usable_rate_low": pl.Float64,
    "usable_rate_high": pl.Float64,
    "usable_verdict": pl.String,
    "rotation_deg": pl.Float64,
    "rotation_low_deg": pl.Float64,
    "rotation_high_deg": pl.Float64,
    "rotation_verdict": pl.String,
    "verdict": pl.String,
    "n_needed": pl.Int64,
    "words": pl.String,
}


def judge_cells(cases: Cases, request: Request) -> pl.DataFrame:
    """Return one row a cell (`VERDICT_SCHEMA`): numbers, one-sided bounds, verdicts, words."""
    rows = []
    for cell in cells_of(cases):
        usable = judge_rate(cell.n_ok, cell.n, request)
        rotation = judge_rotation(cell.errors["rot"], cell.n, request, cell.identity)
        counts = {"n": cell.n, "n_ok": cell.n_ok}
        rows.append(cell.place | counts | _row(usable, rotation, request))
    return pl.DataFrame(rows, schema=VERDICT_SCHEMA).sort(CELL)


def _row(usable: Judgement, rotation: Judgement, request: Request) -> Row:
    both = (usable, rotation)
    if any(j.verdict == FAILS for j in both):
        verdict, needed = FAILS, None
    elif all(j.verdict == HOLDS for j in both):
        verdict, needed = HOLDS, None
    else:
        verdict = UNDECIDED
        open_ = [j.needed for j in both if j.verdict == UNDECIDED]
        needed = None if None in open_ else max(x for x in open_ if x is not None)
    return {
        "usable_rate": usable.value,
        "usable_rate_low": usable.low,
        "usable_rate_high": usable.high,
        "usable_verdict": usable.verdict,
        "rotation_deg": _null(rotation.value),
        "rotation_low_deg": _null(rotation.low),
        "rotation_high_deg": _null(rotation.high),
        "rotation_verdict": rotation.verdict,
        "verdict": verdict,
        "n_needed": needed,
        "words": _words(usable, rotation, verdict, needed, request),
    }


def _null(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _words(
    usable: Judgement, rotation: Judgement, verdict: str, needed: int | None, request: Request
) -> str:
    """Say what decided a cell, or what keeps it open, with the numbers."""
    name = STATISTICS[request.statistic]
    parts = []
    if verdict == HOLDS or rotation.verdict == verdict:
        if math.isnan(rotation.value):
            parts.append("no usable pose to judge the rotation by")
        else:
            bounds = _bound_words(rotation, better_is_less=True)
            parts.append(f"{name} {rotation.value:.3g} deg of {request.rotation_deg:g}{bounds}")
    if verdict == HOLDS or usable.verdict == verdict:
        bounds = _bound_words(usable, better_is_less=False, unit=100.0)
        wanted = f"{100.0 * request.detection:g} %"
        parts.append(f"usable {100.0 * usable.value:.4g} % of {wanted} wanted{bounds}")
    words = ", ".join(parts)
    if verdict == UNDECIDED:
        words += (
            f"; about {needed} trials would decide" if needed else "; no number of trials is known"
        )
    return words


def _bound_words(judgement: Judgement, *, better_is_less: bool, unit: float = 1.0) -> str:
    """Name the bounds that matter: the one that decided, or both where none did."""
    low, high = f"{unit * judgement.low:.3g}", f"{unit * judgement.high:.3g}"
    if judgement.verdict == UNDECIDED:
        return f" (between {low} and {high})" if math.isfinite(judgement.high) else ""
    if (judgement.verdict == HOLDS) == better_is_less:
        return f" (at most {high})"
    return f" (at least {low})"
