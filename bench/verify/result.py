"""A comparison of recordings as a result that other commands read: comparison.json."""

from __future__ import annotations

from typing import Any

from bench.envelope import Kind
from bench.strict import Section
from bench.verify.verdict import STATE_WORDS, Report, environment_words, judged_words


class ComparedTest(Section):
    """What a test of a group came to."""

    group: str
    test: str
    state: str
    words: str


class ComparisonValue(Section):
    """The verdict on a change, and the tests behind it."""

    suite: str
    suite_digest: str
    verdict: int
    """The exit code: 0 as good, 1 worse, 3 not judged."""
    headline: str
    named: list[str]
    environment: str
    tests: list[ComparedTest]


COMPARISON = Kind("comparison", "comparison.json", "verify compare", ComparisonValue)


def comparison_value(report: Report) -> dict[str, Any]:
    """Return a report as plain values."""
    return {
        "suite": report.old.suite,
        "suite_digest": report.old.suite_digest,
        "verdict": int(report.verdict),
        "headline": report.headline,
        "named": list(report.named),
        "environment": environment_words(report),
        "tests": [
            {
                "group": j.group,
                "test": j.measured.test,
                "state": j.state,
                "words": f"{STATE_WORDS[j.state]}: {judged_words(j)}",
            }
            for j in report.comparison.judged
        ],
    }
