"""Where a run's numbers come from: command, versions, machine, times; written as run.json."""

from __future__ import annotations

import json
import os
import platform
import shlex
import sys
from dataclasses import asdict
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from bench.files import write_atomically
from bench.survey.plan import Plan
from bench.survey.run import RunReport

RUN_FILE = "run.json"
# Beyond the libraries that compute (in the plan): those that write and draw.
OTHER_LIBRARIES = ("polars", "matplotlib")


def command_line() -> str:
    """Return the command as it was given."""
    return shlex.join([Path(sys.argv[0]).name, *sys.argv[1:]])


def now() -> str:
    """Return the time, ISO 8601, UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def host_facts() -> dict[str, Any]:
    """Return what of this machine bears on numbers and times."""
    return {
        "python": platform.python_version(),
        "system": platform.system(),
        "machine": platform.machine(),
        "processor": _processor(),
        "cores": os.cpu_count(),
    }


def write_run_file(
    directory: Path,
    plan: Plan,
    bay: dict[str, Any],
    report: RunReport,
    started: str,
    workers: int | str,
) -> None:
    """Write run.json; each start of a resumed run adds to those before.

    Parameters
    ----------
    directory : Path
        The run's.
    plan : Plan
        What was run.
    bay : dict
        What names the bay and its camera and target.
    report : RunReport
        What this start did.
    started : str
        When, see `now`.
    workers : int or str
        Processes, or the address of a scheduler.

    Raises
    ------
    RunError
        It can't be written.
    """
    path = directory / RUN_FILE
    this = {
        "command": command_line(),
        "started": started,
        "ended": now(),
        "workers": workers,
        "versions": dict(plan.versions) | _versions(),
        "host": host_facts(),
        "report": asdict(report),
    }
    content = {
        "bay": bay,
        "plan": plan.as_dict(),
        "plan_digest": plan.digest,
        "pictures": plan.n_pictures,
        "rows": plan.n_rows,
        "complete": report.complete,
        "starts": [*_earlier_starts(path), this],
    }
    write_atomically(path, json.dumps(content, indent=2, ensure_ascii=False).encode())


def read_run_file(directory: Path) -> dict[str, Any]:
    """Return run.json's content; empty where there is none that can be read."""
    try:
        content = json.loads((directory / RUN_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}


def _earlier_starts(path: Path) -> list[Any]:
    starts = read_run_file(path.parent).get("starts", [])
    return starts if isinstance(starts, list) else []


def _versions() -> dict[str, str]:
    found = {}
    for name in OTHER_LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def _processor() -> str:
    """Return the processor's model as Linux or the platform names it."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.processor()
    models = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return models[0] if models else platform.processor()
