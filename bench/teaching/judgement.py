"""Judgement of a teaching picture's numbers: the class of its outcome."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from bench.scene.model import Bay
from bench.survey.setup import request_of_bay
from bench.survey.statistics import quantile_interval, rms_interval
from bench.survey.verdicts import FAILS, HOLDS, UNDECIDED, judge_rate
from bench.tables import finite_or_none
from bench.teaching.trials import Illustrated
from bench.typing import Array

CONFIDENCE = 0.95  # of the intervals, two-sided
ROTATION = "err_rot_deg"
Verdict = Literal["inside", "outside", "unsure", "few", "none", "alarm"]
Outcome = Literal[
    "inside", "outside", "unsure", "few", "none", "alarm", "false", "quiet",
    "better", "same", "worse", "along", "clear", "doubt", "anyway",
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
        cases, or the RMS where toe or camber is judged.
    tolerance_deg : float
        What it is held against.
    within : int or None
        Usable cases within the tolerance; None where toe or camber is judged.
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
    verdict: Verdict


def judge(shown: Illustrated, bay: Bay) -> Judged:
    """Judge a picture's numbers against the bay's tolerances."""
    column, tolerance = _judged_by(shown, bay)
    n, usable = shown.numbers["n"], shown.numbers["usable"]
    errors = errors_of(shown, column)
    rms = float(np.sqrt(np.mean(errors**2))) if len(errors) else None
    low, high = interval_of(shown, column)
    drawn = (rms, low, high)
    asked = request_of_bay(bay)
    within = None
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
            verdict = "unsure" if lacks(shown, bay) else "inside"
        elif low > tolerance:
            verdict = "outside"
    if column == ROTATION:
        sizes = np.abs(errors)
        within = int(np.count_nonzero(sizes <= asked.within_deg))
        if len(errors):
            ends = quantile_interval(sizes, 0.95, CONFIDENCE)
            drawn = (float(np.quantile(sizes, 0.95)), *ends)
        if verdict == "unsure":
            verdict = _BY_RATE[judge_rate(within, n, asked).verdict]
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
        verdict,
    )


_BY_RATE: dict[str, Verdict] = {HOLDS: "inside", FAILS: "outside", UNDECIDED: "unsure"}


def lacks(shown: Illustrated, bay: Bay) -> bool:
    """Tell whether fewer are usable than the bay asks for, by chance or not."""
    return bool(shown.numbers["usable"] < bay.tolerance.success * shown.numbers["n"])


def outcome_of(shown: Illustrated, bay: Bay) -> Outcome:
    """Return the class of outcome that a caption may speak of.

    A comparison with the set's reference is made where both have an interval: worse or better
    where the two intervals lie apart, which is stricter than a test at 5 %.
    """
    own, numbers = judge(shown, bay), shown.numbers
    if shown.scene.set == "mirror" and own.verdict != "none":
        return "doubt" if numbers["mirrored"] + numbers["unsure"] else "clear"
    if shown.scene.set == "mirror" and numbers["mirrored"] + numbers["unsure"]:
        return "doubt"
    if own.verdict == "alarm":
        return "alarm" if shown.scene.slip_deg else "false"
    if own.verdict in ("none", "few"):
        # don't blame the condition for what is so without it
        other = None if shown.reference is None else judge(shown.reference, bay).verdict
        return "anyway" if other in ("none", "few") else own.verdict
    if shown.scene.slip_deg:
        return "quiet"
    against = compared(shown, bay)
    if against in ("same", "better") and compared(shown, bay, "err_along_mm") == "worse":
        return "along"
    return against or own.verdict


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
    column = _judged_by(shown, bay)[0] if column is None else column
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
    """Return the interval of an error's RMS; not finite where there are too few."""
    # not the scene's name: the same cases have the same interval wherever they are shown
    identity = f"{shown.cases[0]['key']}|{column}"
    return rms_interval(errors_of(shown, column), CONFIDENCE, identity)


def _judged_by(shown: Illustrated, bay: Bay) -> tuple[str, float]:
    """Return the column of the error that matters in a scene, and its tolerance, degrees."""
    tolerance = bay.tolerance
    if shown.scene.slip_deg is not None:
        return "err_toe_deg", math.degrees(tolerance.toe)
    if shown.scene.lean_deg is not None:
        return "err_camber_deg", math.degrees(tolerance.camber)
    return ROTATION, request_of_bay(bay).within_deg
