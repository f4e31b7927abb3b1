"""One check of conformance, and how a pattern of pixels is explained."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from bench.typing import Array


class CheckOutcome(StrEnum):
    """What came of a check."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "could not judge"
    SKIPPED = "does not apply"


@dataclass(frozen=True)
class Check:
    """One thing that an adapter's author may have got wrong.

    Attributes
    ----------
    name : str
        What was looked at.
    verdict : CheckOutcome
        What came of it.
    measured : str
        The numbers.
    fix : str
        What to change; empty unless it failed.
    """

    name: str
    verdict: CheckOutcome
    measured: str
    fix: str = ""

    @property
    def words(self) -> str:
        """The check in one line."""
        fix = f": {self.fix}" if self.fix else ""
        return f"{self.name}: {self.verdict}, {self.measured}{fix}"


def passed(name: str, measured: str) -> Check:
    """Return a check that is kept to."""
    return Check(name, CheckOutcome.PASS, measured)


def failed(name: str, measured: str, fix: str) -> Check:
    """Return a check that isn't, and what to change."""
    return Check(name, CheckOutcome.FAIL, measured, fix)


def undecided(name: str, measured: str, fix: str = "") -> Check:
    """Return a check that can't be judged."""
    return Check(name, CheckOutcome.UNDECIDED, measured, fix)


def rms_px(a: Array, b: Array) -> float:
    """Return the root mean square distance of points (N, 2), pixels."""
    return float(np.sqrt(np.mean(np.sum((a - b) ** 2, axis=-1))))


def explain(
    seen: Array, expected: Mapping[str, Array]
) -> tuple[str | None, dict[str, float], float]:
    """Tell which of several patterns of pixels was seen.

    Parameters
    ----------
    seen : (N, 2) float64
        Pixels.
    expected : mapping of str to (N, 2) float64
        What would be seen, the right one first.

    Returns
    -------
    name : str or None
        The nearest pattern; None where even that is farther from what was seen than `limit`,
        so that nothing explains it.
    distances : dict of str to float
        RMS distances, pixels.
    limit : float
        Half the distance of the right pattern to the nearest wrong one, pixels: a detector's
        own error is far below, and up to there no answer can be nearer to a wrong one.
    """
    names = list(expected)
    distances = {name: rms_px(seen, expected[name]) for name in names}
    limit = 0.5 * min(rms_px(expected[names[0]], expected[name]) for name in names[1:])
    best = min(names, key=distances.__getitem__)
    return (best if distances[best] < limit else None), distances, limit


def worst(checks: Sequence[Check]) -> CheckOutcome:
    """Return the verdict over all checks."""
    verdicts = {check.verdict for check in checks}
    for verdict in (CheckOutcome.FAIL, CheckOutcome.UNDECIDED):
        if verdict in verdicts:
            return verdict
    return CheckOutcome.PASS
