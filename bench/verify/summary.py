"""The summary of a comparison in words and tables."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bench.verify.baseline import Baseline
from bench.verify.compare import ALPHA, WHOLE, Judged
from bench.verify.effects import CONFIDENCE
from bench.verify.rows import CaseRow
from bench.verify.suite import Suite
from bench.verify.verdict import (
    STATE_WORDS,
    Report,
    effect_words,
    environment_words,
    judged_words,
    needed_words,
    quantile_words,
    value_words,
    worst_first,
)
from bench.verify.worst import WorstCase

GROUP_COLUMNS = ("group", "cases", "detection rate", "usable rate", "rotation RMS", "comes to")
TEST_COLUMNS = ("test", "before", "now", "change", "pairs", "p (worse)", "comes to")
# Worst first: what a group comes to is the first of these that one of its tests came to.
ORDER = ("worse", "slight", "better", "open", "same")


@dataclass(frozen=True)
class Table:
    """A caption and rows of text."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def lead_lines(report: Report) -> list[str]:
    """Return what comes first: systematic changes, what got worse, the environment."""
    lines = [f"Named: {line}" for line in report.named]
    worse = worst_first(report.comparison.with_state("worse"))
    lines += [f"Worse: {judged_words(j)}." for j in worse[:8]]
    if len(worse) > 8:
        lines.append(f"Worse: and {len(worse) - 8} more tests, in the tables below.")
    if report.verdict == 3:
        lines += [
            f"Not judged: {judged_words(j)}{needed_words(j.measured)}."
            for j in report.comparison.unjudged[:8]
        ]
    lines.append(environment_words(report))
    return lines


def method_words(report: Report) -> str:
    """Say how it was judged."""
    margins, same = report.comparison.margins, report.old.noise == report.new.noise
    noise = (
        "the same sensor noise in both"
        if same
        else f"fresh sensor noise (keys {report.old.noise} and {report.new.noise})"
    )
    return (
        f"Suite {report.old.suite} ({report.old.suite_digest}), {noise}. "
        f"{len(report.comparison.judged)} tests together raise a false alarm in at most "
        f"{1e3 * ALPHA:g} of 1,000 comparisons (Holm). As good means that, at "
        f"{100 * CONFIDENCE:g} % confidence, errors rose by no more than "
        f"{100 * margins.error:g} %, rates fell by no more than {100 * margins.rate:g} points and "
        f"corners moved by no more than {margins.corner_px:g} px. Ratios of errors weigh cases by "
        "what both pipelines claim for them."
    )


def group_table(report: Report) -> Table:
    """Return a row a group."""
    rows = []
    for name in _groups(report):
        tests = _tests(report, name)
        worst = min((j.state for j in tests), key=ORDER.index)
        rows.append(
            (
                name,
                str(max(j.measured.n for j in tests)),
                _before_now(tests, "detection rate", "empty pictures"),
                _before_now(tests, "usable rate"),
                _before_now(tests, "rotation RMS"),
                STATE_WORDS[worst],
            )
        )
    return Table("Groups", GROUP_COLUMNS, tuple(rows))


def test_tables(report: Report) -> list[Table]:
    """Return a table a group, with all its tests."""
    return [
        Table(name, TEST_COLUMNS, tuple(_test_row(report, j) for j in _tests(report, name)))
        for name in _groups(report)
    ]


def _groups(report: Report) -> list[str]:
    return list(dict.fromkeys(j.group for j in report.comparison.judged))


def _tests(report: Report, group: str) -> list[Judged]:
    return [j for j in report.comparison.judged if j.group == group]


def _before_now(tests: Sequence[Judged], *names: str) -> str:
    for j in tests:
        m = j.measured
        if m.test in names:
            return f"{value_words(m, m.old)} → {value_words(m, m.new)}"
    return ""


def _test_row(report: Report, j: Judged) -> tuple[str, ...]:
    m = j.measured
    change = effect_words(m)
    if m.test == "rotation p95" and j.group != WHOLE:
        between = quantile_words(report, j.group)
        change += f"; {between}" if between else ""
    return (
        m.test,
        value_words(m, m.old),
        value_words(m, m.new),
        change,
        str(m.n),
        f"{m.p_worse:.2g}",
        STATE_WORDS[j.state],
    )


def case_words(row: CaseRow) -> str:
    """Return a case's outcome in words."""
    rotation = math.sqrt(sum(row[f"rot_{axis}_deg"] ** 2 for axis in "xyz"))
    if not math.isfinite(rotation):
        return row.outcome.replace("_", " ")
    return (
        f"{row.outcome.replace('_', ' ')}: {rotation:.3g} deg off, {row['along_mm']:+.3g} mm along"
    )


def worst_words(case: WorstCase) -> str:
    """Return a caption of a case's pictures."""
    return (
        f"{case.old.key.replace('|', ' ')}: before {case_words(case.old)}; "
        f"now {case_words(case.new)}. White is the truth, orange the estimate, its error drawn "
        f"{case.magnified:g} times as long."
    )


def baseline_words(baseline: Baseline, suite: Suite) -> str:
    """Say what a baseline holds: pipeline, suite, cases by outcome."""
    outcomes = [row.outcome for row in baseline.rows.values()]
    counts = {o: outcomes.count(o) for o in dict.fromkeys(outcomes)}
    words = ", ".join(f"{n} {name.replace('_', ' ')}" for name, n in counts.items())
    return f"{baseline.pipeline} on {suite.name}, {len(outcomes)} cases: {words}"
