"""The summary of a comparison in words and tables."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from bench.verify.baseline import Baseline
from bench.verify.compare import ALPHA, WHOLE, Judged
from bench.verify.effects import CONFIDENCE
from bench.verify.protocol_answer import Fault
from bench.verify.record import Failure
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
EMPTY_TEST = "empty pictures"
MOST_TESTS = 4  # told before the tables, which have all of them
# Worst first: what a group comes to is the first of these that one of its tests came to.
ORDER = ("worse", "slight", "better", "open", "same")


@dataclass(frozen=True)
class Table:
    """A caption and rows of text."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def lead_lines(report: Report) -> list[str]:
    """Return what comes first: causes, outcomes, what got worse, the environment."""
    lines = [f"Likely cause: {line}" for line in report.named]
    before, now = outcome_words(report.old), outcome_words(report.new)
    if before != now or report.failures:
        lines.append(f"Outcomes: {before} before; {now} now.")
    if report.failures:
        lines.append(f"No answer: {failure_words(report.failures)}.")
    first = report.said[1]  # which stands above these lines
    for state in ("worse", "better"):
        found = worst_first(report.comparison.with_state(state))
        found = tuple(j for j in found if not first.startswith(judged_words(j)))
        # what got better is no news beside what got worse
        most = 1 if state == "better" and report.verdict == 1 else MOST_TESTS
        lines += [f"{state.capitalize()}: {judged_words(j)}." for j in found[:most]]
        if len(found) > most:
            more = len(found) - most
            lines.append(f"{state.capitalize()}: {more} more, in the tables of verdict.html.")
    if report.verdict == 3 and not report.faults_alone:
        lines += [
            f"Not judged: {judged_words(j)}{needed_words(j.measured)}."
            for j in report.comparison.unjudged[:MOST_TESTS]
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
        worst = min(worst_first(tuple(tests)), key=lambda j: ORDER.index(j.state))
        words = STATE_WORDS[worst.state]
        if worst.state in ("worse", "better"):
            words += f": {worst.measured.test}"
        rows.append(
            (
                name,
                str(max(j.measured.n for j in tests)),
                _before_now(tests, "detection rate", EMPTY_TEST),
                _before_now(tests, "usable rate"),
                _before_now(tests, "rotation RMS"),
                "no answer differs" if report.is_same(name) else words,
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
    """Return a group's tests that have something to compare."""
    return [j for j in report.comparison.judged if j.group == group and j.measured.n]


def _before_now(tests: Sequence[Judged], *names: str) -> str:
    for j in tests:
        m = j.measured
        if m.test in names and (math.isfinite(m.old) or math.isfinite(m.new)):
            of = "clean " if m.test == EMPTY_TEST else ""
            return f"{of}{value_words(m, m.old)} → {value_words(m, m.new)}"
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
        f"now {case_words(case.new)}"
        + (f". Errors are drawn {case.magnified:g} times as long" if case.magnified > 1.0 else "")
        + "."
    )


def baseline_words(baseline: Baseline, suite: Suite) -> str:
    """Say what a baseline holds: pipeline, suite, cases by outcome."""
    cases = len(baseline.rows)
    return f"{baseline.pipeline} on {suite.name}, {cases} cases: {outcome_words(baseline)}"


def outcome_words(baseline: Baseline) -> str:
    """Say how often each outcome came."""
    counts = Counter(row.outcome for row in baseline.rows.values())
    return ", ".join(f"{n} {name.replace('_', ' ')}" for name, n in counts.items())


def failure_words(failures: Sequence[Failure], most: int = 3) -> str:
    """Say why a pipeline gave no answer: what came most first, and that it was given up last."""
    first: dict[str, str] = {}
    for key, reason in failures:
        first.setdefault(reason, key.replace("|", " "))
    counts = Counter(reason for _, reason in failures).most_common()
    counts.sort(key=lambda found: found[0].startswith(str(Fault.GIVEN_UP)))
    said = [f"{reason} ({_cases(n)}, first {first[reason]})" for reason, n in counts[:most]]
    rest = sum(n for _, n in counts[most:])
    return "; ".join(said) + (f"; {_cases(rest)} for other reasons" if rest else "")


def _cases(n: int) -> str:
    return f"{n} case{'' if n == 1 else 's'}"
