"""A conformance report as a file, and its conclusion in words."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from bench.envelope import Facts, Kind, Origin, write_result
from bench.files import make_directory
from bench.verify.conformance import Report
from bench.verify.conformance_check import CheckOutcome

CONFORMANCE = Kind("conformance", "conformance.json", "conform", Facts)


def write_conformance(out: Path, report: Report, origin: Origin) -> None:
    """Write conformance.json: each check's verdict, what was measured, what to change; answers.

    Raises
    ------
    RunError
        It can't be written.
    """
    make_directory(out)
    value = {
        "pipeline": report.name,
        "target": report.target,
        "verdict": str(report.verdict),
        "checks": [
            {
                "name": check.name,
                "verdict": str(check.verdict),
                "measured": check.measured,
                "fix": check.fix,
            }
            for check in report.checks
        ],
        "cases": [
            {"picture": case.picture, "shows_target": case.shows, "answer": case.answer}
            for case in report.cases
        ],
    }
    write_result(out / CONFORMANCE.file, CONFORMANCE, value, origin)


def case_lines(report: Report) -> list[str]:
    """Say case by case what came otherwise than it should; pictures of one answer share a line."""
    named: dict[str, list[str]] = {}
    for case in report.cases:
        if not case.as_expected:
            named.setdefault(case.answer, []).append(case.picture)
    return [f"{_listed(pictures)}: {answer}" for answer, pictures in named.items()]


def _listed(pictures: Sequence[str]) -> str:
    """Return names such as "plain 1, 2, lens 1": what numbers count is said once."""
    said, last = [], ""
    for picture in pictures:
        kind, _, number = picture.rpartition(" ")
        said.append(number if kind == last else picture)
        last = kind
    return ", ".join(said)


def conclusion(verdict: CheckOutcome) -> str:
    """Say what all checks together come to."""
    return {"pass": "conforms", "fail": "doesn't conform: see what failed"}.get(
        str(verdict), "could not be judged in all"
    )
