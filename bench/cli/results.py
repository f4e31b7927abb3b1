"""What `measure` and `intrinsics` share: a record of where their tables came from."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from bench import __version__
from bench.files import write_atomically
from bench.survey import provenance
from bench.survey.plan import library_versions


def write_run(directory: Path, started: str, facts: dict[str, Any]) -> None:
    """Write run.json: command, version, times, machine and `facts`.

    Raises
    ------
    RunError
        It can't be written.
    """
    content = {**origin(started), **facts}
    write_atomically(directory / provenance.RUN_FILE, json.dumps(content, indent=2).encode())


def origin(started: str) -> dict[str, Any]:
    """Return where numbers come from: command, version, times and machine."""
    return {
        "command": provenance.command_line(),
        "version": __version__,
        "versions": dict(library_versions()),
        "started": started,
        "ended": provenance.now(),
        "host": provenance.host_facts(),
    }
