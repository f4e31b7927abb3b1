"""Output of commands for people: lines of text, and where files were written."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import typer


def say(lines: Iterable[str]) -> None:
    """Print lines."""
    for line in lines:
        typer.echo(line)


def say_written(out: Path, written: Iterable[Path], more: str = "") -> None:
    """Print which files were written below a directory, and `more` after them."""
    names = [p.name if p.parent == out else str(p.relative_to(out)) for p in written]
    typer.echo(f"Wrote to {out}: {', '.join(names)}{more}.")
