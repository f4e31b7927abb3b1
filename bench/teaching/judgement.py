"""Judgement of a teaching picture's numbers: the class of its outcome."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy

from bench.scene.model import Bay
from bench.survey.setup import request_of_bay
from bench.survey.statistics import MIN_BOOTSTRAP, quantile_interval, rms_interval
from bench.survey.verdicts import FAILS, HOLDS, UNDECIDED, judge_rate
from bench.tables import finite_or_none
from bench.teaching.trials import Illustrated
from bench.typing import Array

CONFIDENCE = 0.95  # of the intervals, two-sided
LEAST_GAUSSIAN = 5  # errors whose interval stays within a factor of three
LEAST_QUANTILE = 20  # errors of which one lies beyond the 95th percentile
ROTATION = "err_rot_deg"

Verdict = Literal["inside", "outside", "unsure", "few", "none", "alarm"]
BAD = ("outside", "few", "none", "alarm")
Outcome = Literal[
    "inside", "outside", "unsure", "few", "none", "alarm", "quiet", "better", "same", "worse",
    "along", "anyway", "harmless",
]  # fmt: skip


@dataclass(frozen=True)
class Judged:
    """The error that a picture is about, and what can be said of it.

    Attributes
    ----------
    rms_deg, low_deg, high_deg : float or None
        Over usable cases, and its interval; None where there is none.
    error_deg, error_low_deg, error_high_deg : float or None
        What is drawn against the tolerance, and its interval: the 95th percentile of usable
        cases, None of fewer than `LEAST_QUANTILE`, or the RMS where toe or camber is judged.
    tolerance_deg : float
        What it is held against.
    within : int or None
        Usable cases within the tolerance; None where toe or camber is judged.
    needed : int or None
        Pictures that would decide where the rate is undecided; None where it lies at the level.
    verdict : str
        ``none`` or ``few`` usable, an ``alarm`` of a registration's checks; else ``inside`` or
        ``outside`` the tolerance, or ``unsure``. Of rotations it answers the bay's question of
        the rate usable and within tolerance, as a map's cell does. Toe and camber, whose
        tolerances are of an expanded uncertainty, are inside with the RMS's whole interval, and
        with no fewer usable than asked.
    """

    rms_deg: float | None
    low_deg: float | None
    high_deg: float | None
    error_deg: float | None
    error_low_deg: float | None
    error_high_deg: float | None
    tolerance_deg: float
    within: int | None
    needed: int | None
    verdict: Verdict


def judge(shown: Illustrated, bay: Bay) -> Judged:
    """Judge a picture's numbers against the bay's tolerances."""
    column, tolerance = judged_by(shown, bay)
    n, usable = shown.numbers["n"], shown.numbers["usable"]
    errors = errors_of(shown, column)
    rms = float(np.sqrt(np.mean(errors**2))) if len(errors) else None
    low, high = interval_of(shown, column)
    drawn = (rms, low, high)
    asked = request_of_bay(bay)
    within = needed = None
    verdict: Verdict = "unsure"
    if rms is None:
        verdict = "none"
    elif 2 * shown.numbers.get("alarms", 0) > n:
        # a registration that raised the alarm is done again, however near the truth it came
        verdict = "alarm"
    elif judge_rate(usable, n, asked).verdict == FAILS:
        verdict = "few"
    elif column != ROTATION:
        if high <= tolerance:
            lacks = usable < bay.tolerance.success * n
            verdict = "unsure" if lacks else "inside"
        elif low > tolerance:
            verdict = "outside"
        if verdict == "unsure" and math.isfinite(high - low):
            # an interval shrinks with the root of the number
            share = max(high - rms, rms - low) / max(abs(rms - tolerance), 1e-3 * tolerance)
            needed = math.ceil(n * max(share, 1.0) ** 2)
    if column == ROTATION:
        sizes = np.abs(errors)
        within = int(np.count_nonzero(sizes <= asked.within_deg))
        if len(errors) < LEAST_QUANTILE:
            drawn = (None, math.nan, math.nan)
        else:
            ends = quantile_interval(sizes, 0.95, CONFIDENCE)
            drawn = (float(np.quantile(sizes, 0.95)), *ends)
        if verdict == "unsure":
            rate = judge_rate(within, n, asked)
            verdict, needed = _BY_RATE[rate.verdict], rate.needed
    if verdict == "unsure" and column != ROTATION and needed is None:
        # so many usable ones have an interval
        needed = 2 * n if usable >= MIN_BOOTSTRAP else math.ceil(MIN_BOOTSTRAP * n / usable)
    drawn_low, drawn_high = finite_or_none(drawn[1]), finite_or_none(drawn[2])
    return Judged(
        rms,
        finite_or_none(low),
        finite_or_none(high),
        drawn[0],
        drawn_low,
        drawn_high,
        tolerance,
        within,
        needed,
        verdict,
    )


_BY_RATE: dict[str, Verdict] = {HOLDS: "inside", FAILS: "outside", UNDECIDED: "unsure"}


def outcome_of(shown: Illustrated, bay: Bay) -> Outcome:
    """Return the class of outcome that a caption speaks of.

    A spoilt view is held against the set's good one: what isn't good there either is no lesson of
    the difference, and what holds in spite of it is said to. Errors are compared where both have
    an interval: worse where the two intervals lie apart, which is stricter than a test at 5 %.
    """
    judged = judge(shown, bay)
    own = judged.verdict
    if shown.reference is None:
        return own
    other = judge(shown.reference, bay).verdict
    if other in BAD:
        return "anyway"
    if shown.scene.slip:
        high = judged.error_high_deg
        held = high is not None and high <= judged.tolerance_deg
        return "quiet" if own != "alarm" else "harmless" if held else "alarm"
    if own in BAD or other == "unsure":
        return own
    against = compared(shown, bay)
    if against == "same" and compared(shown, bay, "err_along_mm") == "worse":
        return "along"
    return against or own


def compared(
    shown: Illustrated, bay: Bay, column: str | None = None
) -> Literal["better", "same", "worse"] | None:
    """Compare an error with the reference's; None where there is none, or no interval.

    Parameters
    ----------
    column : str, optional
        Of the cases; the error that matters in the scene when left out.
    """
    if shown.reference is None:
        return None
    column = judged_by(shown, bay)[0] if column is None else column
    low, high = interval_of(shown, column)
    other_low, other_high = interval_of(shown.reference, column)
    if not math.isfinite(low + high + other_low + other_high):
        return None
    if low > other_high:
        return "worse"
    return "better" if high < other_low else "same"


def errors_of(shown: Illustrated, column: str) -> Array:
    """Return an error of the usable cases; empty where a scene doesn't have it."""
    usable = (case for case in shown.cases if case["outcome"] == "ok")
    return np.array([case[column] for case in usable if column in case])


def interval_of(shown: Illustrated, column: str) -> tuple[float, float]:
    """Return the interval of an error's RMS; not finite where there are too few.

    Registrations are dear, so few: hundreds of points add up to each one's error, which is taken
    as Gaussian about zero, and its squares as chi-square of one degree each.
    """
    errors = errors_of(shown, column)
    if shown.scene.slip is not None and len(errors) >= LEAST_GAUSSIAN:
        ends = scipy.stats.chi2.ppf(
            [0.5 * (1.0 + CONFIDENCE), 0.5 * (1.0 - CONFIDENCE)], len(errors)
        )
        low, high = np.sqrt(np.sum(errors**2) / ends)
        return float(low), float(high)
    # not the scene's name: the same cases have the same interval wherever they are shown
    identity = f"{shown.cases[0]['key']}|{column}"
    return rms_interval(errors, CONFIDENCE, identity)


def judged_by(shown: Illustrated, bay: Bay) -> tuple[str, float]:
    """Return the column of the error that matters in a scene, and its tolerance, degrees."""
    tolerance, astray = bay.tolerance, shown.scene.astray
    # a set's good view is judged by what its spoilt one is
    if astray == "lean":
        return "err_camber_deg", math.degrees(tolerance.camber)
    if astray or shown.scene.slip is not None:
        return "err_toe_deg", math.degrees(tolerance.toe)
    return ROTATION, request_of_bay(bay).within_deg
