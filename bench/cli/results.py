"""What `measure` and `intrinsics` share: a table as two files, and where it came from."""

from __future__ import annotations

import io
import json
import shlex
import sys
from pathlib import Path
from typing import Any

import polars as pl

from bench import __version__
from bench.errors import RunError
from bench.survey import provenance
from bench.survey.plan import library_versions
from bench.survey.store import write_atomically


def make_directory(directory: Path) -> None:
    """Make a directory unless it is there.

    Raises
    ------
    RunError
        It can't be made.
    """
    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RunError(f"{directory}: can't be made: {error.strerror}") from error


def write_table(
    directory: Path, name: str, table: pl.DataFrame, decimals: int | None = None
) -> None:
    """Write ``NAME.parquet``, and ``NAME.csv`` with numbers rounded to `decimals`.

    Raises
    ------
    RunError
        A file can't be written.
    """
    buffer = io.BytesIO()
    table.write_parquet(buffer)
    write_atomically(directory / f"{name}.parquet", buffer.getvalue())
    write_atomically(directory / f"{name}.csv", table.write_csv(float_precision=decimals).encode())


def write_run(directory: Path, started: str, facts: dict[str, Any]) -> None:
    """Write run.json: command, version, times, machine and `facts`.

    Raises
    ------
    RunError
        It can't be written.
    """
    content = {
        "command": command_line(),
        "version": __version__,
        "versions": dict(library_versions()),
        "started": started,
        "ended": provenance.now(),
        "host": provenance.host_facts(),
        **facts,
    }
    write_atomically(directory / provenance.RUN_FILE, json.dumps(content, indent=2).encode())


def command_line() -> str:
    """Return the command as it was given."""
    return shlex.join([Path(sys.argv[0]).name, *sys.argv[1:]])
