"""Options that the proofs on site share, and how they print."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import typer

from bench.errors import ConfigError

TableArgument = Annotated[
    Path, typer.Argument(metavar="TABLE.csv", help="What was measured.", show_default=False)
]


def say_written(out: Path, written: Iterable[Path]) -> None:
    """Print where files were written."""
    typer.echo(f"Wrote to {out}: {', '.join(path.name for path in written)}.")


def say(lines: Iterable[str]) -> None:
    """Print lines."""
    for line in lines:
        typer.echo(line)


def number_within(name: str, value: float, low: float, high: float) -> float:
    """Return a number, or refuse it.

    Raises
    ------
    ConfigError
        It lies outside.
    """
    if not low <= value <= high:
        raise ConfigError(f"{name}: {value:g} lies outside the limits, from {low:g} to {high:g}")
    return value
