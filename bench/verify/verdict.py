"""A comparison's verdict, in words with numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np

from bench.digest import key_digest
from bench.verify.baseline import Baseline
from bench.verify.compare import WHOLE, Comparison, Judged, Side
from bench.verify.effects import CONFIDENCE, MIN_PAIRS, ROTATION, Measured
from bench.verify.environment import changes
from bench.verify.naming import named_changes
from bench.verify.paired import loss_bounds, quantile_ratio_bounds
from bench.verify.record import Failure
from bench.verify.rows import CLEAN, FALSE_POSITIVE

# Of what the whole suite lost, the share from which one group explains it.
EXPLAINS = 0.8


class ComparisonVerdict(IntEnum):
    """What a comparison comes to; the command line's exit codes."""

    GOOD = 0
    WORSE = 1
    UNJUDGED = 3


@dataclass(frozen=True, eq=False)
class Report:
    """A verdict and all that is said with it.

    Attributes
    ----------
    verdict : ComparisonVerdict
        What it comes to.
    comparison : Comparison
        All tests.
    old, new : Baseline
        What was compared.
    named : tuple of str
        Systematic changes with a usual cause.
    environment : tuple of str
        What of the environment changed.
    missing : int
        Cases that only one of the two has.
    failures : tuple of (str, str)
        Of the new one, where it was run for this: key and reason of cases without an answer.
    """

    verdict: ComparisonVerdict
    comparison: Comparison
    old: Baseline
    new: Baseline
    named: tuple[str, ...]
    environment: tuple[str, ...]
    missing: int
    failures: tuple[Failure, ...] = ()

    @property
    def headline(self) -> str:
        """The verdict, one line."""
        verdict, reason = self.said
        return f"{verdict}: {reason}; {self.compared}"

    @property
    def compared(self) -> str:
        """What was compared."""
        n = len(self.comparison.pairs)
        return f"{self.new.pipeline} against {self.old.pipeline}, {n} paired cases"

    @property
    def said(self) -> tuple[str, str]:
        """The verdict in a few words, and its reason."""
        tests = self.comparison.judged
        match self.verdict:
            case ComparisonVerdict.WORSE:
                worse = self.comparison.with_state("worse")
                first, why = _explained(self.comparison, worst_first(worse)[0])
                return (
                    f"worse in {len(worse)} of {len(tests)} tests",
                    f"{judged_words(first)}{why}",
                )
            case ComparisonVerdict.UNJUDGED:
                return "could not judge", self._why()
        if self.is_same():
            return "as good", "no answer differs"
        better = len(self.comparison.with_state("better"))
        if better:
            return "as good or better", f"{better} of {len(tests)} tests show better"
        return "as good", f"none of {len(tests)} tests shows worse"

    def is_same(self, group: str = WHOLE) -> bool:
        """Tell whether every answer is the same to the last digit that is kept."""
        pairs = self.comparison.pairs
        if group != WHOLE:
            pairs = pairs.take(np.flatnonzero(pairs.group == pairs.groups.index(group)))
        same = np.array_equal(pairs.old.values, pairs.new.values, equal_nan=True)
        outcomes = (self.old.rows[key].outcome == self.new.rows[key].outcome for key in pairs.keys)
        return same and all(outcomes)

    @property
    def faults_alone(self) -> bool:
        """Whether the old recording has no usable answer, so that nothing can be kept."""
        return nothing_usable(self.old)

    def _why(self) -> str:
        if self.faults_alone:
            return "the baseline has no usable answer, so that nothing could get worse"
        if self.missing:
            return f"{self.missing} cases are in one recording alone"
        first = self.comparison.unjudged[0]
        m = first.measured
        more = len(self.comparison.unjudged) - 1
        words = f"{first.group} has only {m.n} pairs for its {m.test}"
        if m.n >= MIN_PAIRS or m.unit == "":
            words = judged_words(first)
        return words + needed_words(m) + (f", and {more} more" if more else "")


def report_of(
    comparison: Comparison, old: Baseline, new: Baseline, failures: tuple[Failure, ...] = ()
) -> Report:
    """Return the verdict on a comparison of two baselines."""
    missing = len(old.rows.keys() ^ new.rows.keys())
    report = Report(
        ComparisonVerdict.GOOD,
        comparison,
        old,
        new,
        named_changes(comparison.pairs),
        tuple(changes(old.environment, new.environment)),
        missing,
        failures,
    )
    if comparison.with_state("worse"):
        return replace(report, verdict=ComparisonVerdict.WORSE)
    shown = report.is_same() or not comparison.unjudged
    if missing or report.faults_alone or not shown:
        return replace(report, verdict=ComparisonVerdict.UNJUDGED)
    return report


def nothing_usable(baseline: Baseline) -> bool:
    """Tell whether no picture that shows a target gave a usable answer."""
    outcomes = {row.outcome for row in baseline.rows.values()}
    return not outcomes <= {CLEAN, FALSE_POSITIVE} and "ok" not in outcomes


def _explained(comparison: Comparison, first: Judged) -> tuple[Judged, str]:
    """Return the group that explains what the whole suite shows, and how; else the whole."""
    if first.group != WHOLE:
        return first, ""
    same = [
        j for j in comparison.judged if j.measured.test == first.measured.test and j.group != WHOLE
    ]
    if len(same) < 2:
        return first, ""
    if first.measured.unit == "":
        lost = [max(j.measured.effect, 0.0) * j.measured.n for j in same]
        share = max(lost) / (sum(lost) or 1.0)
        if share >= EXPLAINS:
            part = f"{100.0 * share:.0f} % of what was lost in all"
            why = ", in this group alone" if share == 1.0 else f", {part}"
            return same[lost.index(max(lost))], why
        return first, ""
    worse = [j for j in same if j.state == "worse"]
    return (worse[0], ", in this group alone") if len(worse) == 1 else (first, "")


def worst_first(judged: tuple[Judged, ...]) -> tuple[Judged, ...]:
    """Return tests of the whole suite, then of groups, by how far beyond its margin each is.

    Of tests that show better, the best comes first.
    """

    def rank(j: Judged) -> tuple[bool, float]:
        m = j.measured
        size = m.effect / m.margin if m.margin > 0.0 and math.isfinite(m.effect) else math.inf
        size *= -1.0 if j.state == "better" else 1.0
        return j.group != WHOLE, -size

    return tuple(sorted(judged, key=rank))


def value_words(m: Measured, value: float) -> str:
    """Return a test's quantity in words, such as ``"0.0312 deg"`` or ``"99.2 %"``."""
    if not math.isfinite(value):
        return "none"
    if m.unit == "":
        return f"{100.0 * value:.1f} %"
    if m.unit == "claimed":
        return f"{math.exp(value):.2f} times claimed"
    if m.unit == "px":
        return f"{round(value, 3) + 0.0:+.3f} px"
    return f"{value:.3g} {m.unit}"


def effect_words(m: Measured) -> str:
    """Return how much worse a test's quantity is, and could be, in words."""
    if not math.isfinite(m.effect):
        return f"{m.n} pairs are too few"
    if m.unit == "":
        return _rate_words(100.0 * m.effect, 100.0 * m.bound)
    how, bound = _amount(m, m.effect), _amount(m, m.bound)
    known = not math.isfinite(m.bound) or how == bound  # to the last digit that is told
    if m.relative:
        # the RMS before and now are plain; their change counts each case by what it claims
        basis = ", weighed by claims" if m.test.endswith("RMS") else ""
        return how + ("" if known else f", at most {bound}") + basis
    way = f"{'nearer to' if m.effect < 0.0 else 'farther from'} {_AIMS.get(m.unit, 'zero')}"
    if not known and m.effect < 0.0:
        bound = f"at least {bound}" if m.bound < 0.0 else f"at most {bound} farther"
    elif not known:
        bound = f"at most {bound}"
    return f"{how} {way}" + ("" if known else f", {bound}")


# What a mean is best, by unit; of the others zero.
_AIMS = {"claimed": "honest"}


def _rate_words(drop: float, most: float) -> str:
    """Return a drop of a rate, and what it could be, in percentage points."""
    if drop == 100.0:
        return "all lost"
    if drop > 0.0:
        return f"{drop:.2f} points lost, at most {min(most, 100.0):.2f}"
    if drop == 0.0:
        return f"none lost, at most {most:.2f} points"
    return f"{-drop:.2f} points gained, " + (
        f"at least {-most:.2f}" if most < 0.0 else f"at most {most:.2f} lost"
    )


def needed_words(m: Measured) -> str:
    """Say what a test without a result could have shown, and how many cases would show enough."""
    need = m.cases_needed
    if need is None or need <= m.n:
        return ""
    sees = ""
    if m.unit == "":
        least = loss_bounds(0, 0, m.n, CONFIDENCE)[1]
        sees = f": {m.n} cases can't tell a loss below {100.0 * least:.2g} points;"
    return f"{sees} about {need} cases would tell"


def _amount(m: Measured, value: float) -> str:
    if m.relative:
        return f"{1.0 + value:.3g} times" if value >= 1.0 else f"{100.0 * value:+.1f} %"
    if m.unit == "claimed":
        return f"{100.0 * math.expm1(abs(value)):.1f} %"
    return f"{abs(value):.3g} {m.unit}"


def judged_words(j: Judged) -> str:
    """Return a test in one line."""
    m = j.measured
    values = f"{value_words(m, m.old)} before, {value_words(m, m.new)} now"
    return f"{j.group}: {m.test} {values} ({effect_words(m)})"


STATE_WORDS = {
    "worse": "worse",
    "slight": "worse beyond doubt, by less than the margin",
    "better": "better",
    "same": "as good, within the margin",
    "open": "no change shown, nor excluded",
}


def quantile_words(report: Report, group: str) -> str:
    """Return the paired bootstrap's interval of a group's 95th percentile, in words."""
    pairs = report.comparison.pairs
    if group == WHOLE:
        return ""
    chosen = pairs.group == pairs.groups.index(group)
    chosen = chosen & pairs.old.good & pairs.new.good
    old, new = pairs.old.take(chosen), pairs.new.take(chosen)
    if np.sum(chosen) < MIN_PAIRS:
        return ""
    a, b = (_length(side) for side in (old, new))
    if not (np.all(np.isfinite(a)) and np.all(np.isfinite(b))):
        return ""
    rng = np.random.default_rng(key_digest(f"{report.old.suite_digest}|{group}|p95"))
    low, high = quantile_ratio_bounds(a, b, 0.95, CONFIDENCE, rng)
    return f"between {100.0 * (low - 1.0):+.1f} % and {100.0 * (high - 1.0):+.1f} %"


def _length(side: Side) -> np.ndarray:
    return np.asarray(np.sqrt(sum(side[c] ** 2 for c in ROTATION)))


def environment_words(report: Report) -> str:
    """Say what of the environment changed, beside what of the result did."""
    if not report.environment:
        return "The environment is the same."
    result = {
        ComparisonVerdict.GOOD: "the result is as good",
        ComparisonVerdict.WORSE: "the result is worse",
        ComparisonVerdict.UNJUDGED: "the result could not be judged",
    }[report.verdict]
    return f"The environment changed, and {result}: " + "; ".join(report.environment) + "."
