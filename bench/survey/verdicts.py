"""Verdicts of cells by one question: enough of all pictures usable and within tolerance.

A picture is a success where its outcome is ok and the angle of its rotation error is at most
`within`. Anything else is a miss, a gross failure as much as a large error. The rate of successes
is held against the level asked for by its exact one-sided bounds: a cell *holds* where the lower
one is at the level or above, *fails* where the upper one is below, and is *undecided* between:
it hasn't been looked at often enough.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from bench.errors import ConfigError
from bench.survey.cells import CELL, CellCases, cells_of
from bench.survey.looks import Looks
from bench.survey.pieces import Cases
from bench.survey.statistics import exact_bounds, trials_to_decide_rate

HOLDS, FAILS, UNDECIDED = "holds", "fails", "undecided"
# A rate that so many pictures can't tell from 95 % lies within 0.4 of a per cent of it: 1.645
# standard deviations of their count. Such a cell lies at the tolerance.
MOST_NEEDED = 10_000
# What became of a miss, by outcome; the first is of a usable pose that is off by too much.
BEYOND = "beyond"
MISSES = {
    BEYOND: "off by more",
    "missed": "missed",
    "wrong_id": "wrong id",
    "mirrored": "mirrored",
    "ambiguous": "ambiguous",
    "not_finite": "not finite",
    "unexplained": "unexplained",
}


@dataclass(frozen=True)
class Request:
    """What a limit must satisfy.

    Attributes
    ----------
    within_deg : float
        Largest angle of a picture's rotation error, degrees.
    success : float
        Least rate of pictures that are usable and within it, 0 to 1.
    confidence : float
        With which that is shown, one-sided, 0.5 to 1.

    Raises
    ------
    ConfigError
        A number is outside its limits.
    """

    within_deg: float = 0.1
    success: float = 0.95
    confidence: float = 0.95

    def __post_init__(self) -> None:
        if not 0.0 < self.within_deg <= 180.0:
            raise ConfigError(
                f"within: {self.within_deg:g} deg lies outside 0 to 180 deg, 0 excluded"
            )
        if not 0.0 < self.success < 1.0:
            raise ConfigError(
                f"success: {self.success:g} lies outside 0 to 1, both excluded: no number "
                "of pictures shows a rate of exactly 1"
            )
        if not 0.5 < self.confidence < 1.0:
            raise ConfigError(f"confidence: {self.confidence:g} lies outside 0.5 to 1")

    @property
    def words(self) -> str:
        """The question: at least 95 % of pictures usable and within 0.1 deg …."""
        return (
            f"at least {100 * self.success:g} % of all pictures usable and within "
            f"{self.within_deg:g} deg (angle of the rotation error), at "
            f"{100 * self.confidence:g} % confidence"
        )


@dataclass(frozen=True)
class Judgement:
    """A rate against its level: value, one-sided bounds, verdict and pictures needed.

    `needed` is about how many pictures would decide at the rate seen so far; None where it is
    decided, or where the rate lies at the level.
    """

    value: float
    low: float
    high: float
    verdict: str
    needed: int | None = None


def judge_rate(k: int, n: int, request: Request) -> Judgement:
    """Judge a rate, k of n, against the level that is asked for."""
    low, high = exact_bounds(k, n, request.confidence)
    if low >= request.success:
        return Judgement(k / n, low, high, HOLDS)
    if high < request.success:
        return Judgement(k / n, low, high, FAILS)
    needed = trials_to_decide_rate(k, n, request.success, request.confidence, MOST_NEEDED)
    return Judgement(k / n, low, high, UNDECIDED, needed)


VERDICT_SCHEMA: dict[str, type[pl.DataType]] = {
    "pipeline": pl.String,
    "range_m": pl.Float64,
    "turn_deg": pl.Float64,
    "pitch_deg": pl.Float64,
    "tilt_deg": pl.Float64,
    "n": pl.Int64,
    "n_ok": pl.Int64,
    "n_within": pl.Int64,  # usable and within the tolerance: the successes
    "success_rate": pl.Float64,
    "success_low": pl.Float64,  # one-sided bounds of this look alone
    "success_high": pl.Float64,
    "verdict": pl.String,
    "n_needed": pl.Int64,
    "words": pl.String,
}


def judge_cells(cases: Cases, request: Request, looks: Looks | None = None) -> pl.DataFrame:
    """Return one row a cell (`VERDICT_SCHEMA`): numbers, one-sided bounds, verdict, words.

    Parameters
    ----------
    cases : Cases
        Of a run.
    request : Request
        The question.
    looks : Looks, optional
        Where a cell was looked at repeatedly until it was decided: they share the error.
    """
    rows = [_row(cell, request, looks) for cell in cells_of(cases)]
    return pl.DataFrame(rows, schema=VERDICT_SCHEMA).sort(CELL)


def misses_of(cell: CellCases, request: Request) -> dict[str, int]:
    """Return the misses of a cell by kind, the keys of `MISSES`."""
    beyond = int(np.count_nonzero(np.abs(cell.errors["rot"]) > request.within_deg))
    return {BEYOND: beyond} | {name: cell.counts[name] for name in MISSES if name != BEYOND}


def _row(
    cell: CellCases, request: Request, looks: Looks | None
) -> dict[str, float | int | str | bool | None]:
    misses = misses_of(cell, request)
    k = cell.n - sum(misses.values())
    judged = judge_rate(k, cell.n, request)
    if looks is not None:
        judged = _looked(judged, k, cell.n, request, looks)
    return cell.place | {
        "n": cell.n,
        "n_ok": cell.n_ok,
        "n_within": k,
        "success_rate": judged.value,
        "success_low": judged.low,
        "success_high": judged.high,
        "verdict": judged.verdict,
        "n_needed": judged.needed,
        "words": _words(judged, misses, cell.n, request, looks),
    }


def _looked(judged: Judgement, k: int, n: int, request: Request, looks: Looks) -> Judgement:
    """Judge by what the looks allow at n pictures in place of a look alone."""
    at = looks.at(n)
    if at is not None and n - k <= at.hold:
        return Judgement(judged.value, judged.low, judged.high, HOLDS)
    if at is not None and n - k >= at.fail:
        return Judgement(judged.value, judged.low, judged.high, FAILS)
    share = (1.0 - request.confidence) / len(looks.pictures)  # what a look has at least
    needed = trials_to_decide_rate(k, n, request.success, 1.0 - share, MOST_NEEDED)
    more = None if needed is None else max(needed, n + 1)
    return Judgement(judged.value, judged.low, judged.high, UNDECIDED, more)


def _words(
    judged: Judgement,
    misses: Mapping[str, int],
    n: int,
    request: Request,
    looks: Looks | None,
) -> str:
    """Say what decided a cell, or what keeps it open, with the numbers."""
    missed = sum(misses.values())
    words = f"{n - missed} of {n} within {request.within_deg:g} deg"
    low, high = _percent(judged.low), _percent(judged.high)
    asked = f"{100.0 * request.success:g} % asked"
    at = None if looks is None else looks.at(n)
    if at is not None:
        words += f" ({missed} misses, {at.words(judged.verdict)})"
    elif judged.verdict == HOLDS:
        words += f" (at least {low} %)"
    elif judged.verdict == FAILS:
        words += f" (at most {high} %, {asked})"
    else:
        words += f" (between {low} and {high} %, {asked})"
    if judged.verdict != HOLDS and missed:
        words += f"; {miss_words(misses)}"
    if judged.verdict != UNDECIDED:
        return words
    if judged.needed is None:
        return f"{words}; it lies at the tolerance, {MOST_NEEDED} pictures wouldn't decide it"
    return f"{words}; about {judged.needed} pictures would decide"


def miss_words(misses: Mapping[str, int]) -> str:
    """Say what became of misses, the most frequent first: 12 missed, 3 off by more."""
    most = sorted(misses, key=lambda name: -misses[name])
    return ", ".join(f"{misses[name]} {MISSES[name]}" for name in most if misses[name])


def _percent(rate: float) -> str:
    return f"{100.0 * rate:.3g}"
