"""A conformance report as a file, and its conclusion in words."""

from __future__ import annotations

from pathlib import Path

from bench.envelope import Facts, Kind, Origin, write_result
from bench.files import make_directory
from bench.verify.conformance import Report
from bench.verify.conformance_check import CheckOutcome

CONFORMANCE = Kind("conformance", "conformance.json", "conform", Facts)


def write_conformance(out: Path, report: Report, origin: Origin) -> None:
    """Write conformance.json: each check's verdict, what was measured, what to change.

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
    }
    write_result(out / CONFORMANCE.file, CONFORMANCE, value, origin)


def conclusion(verdict: CheckOutcome) -> str:
    """Say what all checks together come to."""
    return {"pass": "conforms", "fail": "doesn't conform: see what failed"}.get(
        str(verdict), "could not be judged in all"
    )
