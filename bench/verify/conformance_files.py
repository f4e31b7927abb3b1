"""A conformance report as a file, and its conclusion in words."""

from __future__ import annotations

import json
from pathlib import Path

from bench import __version__
from bench.files import make_directory, write_atomically
from bench.verify.conformance import Report
from bench.verify.conformance_check import CheckOutcome


def write_conformance(out: Path, report: Report) -> None:
    """Write conformance.json: each check's verdict, what was measured, what to change.

    Raises
    ------
    RunError
        It can't be written.
    """
    make_directory(out)
    content = {
        "version": __version__,
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
    write_atomically(out / "conformance.json", json.dumps(content, indent=2).encode() + b"\n")


def conclusion(verdict: CheckOutcome) -> str:
    """Say what all checks together come to."""
    return {
        "pass": "conforms",
        "fail": "doesn't conform: see what failed",
    }.get(str(verdict), "could not be judged in all")
