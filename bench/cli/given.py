"""The command as it was given: results name it, and what computes them is told."""

from __future__ import annotations

from contextvars import ContextVar

# Set by `bench.cli.main.main` for the command that it runs.
GIVEN: ContextVar[str] = ContextVar("GIVEN", default="sightbench")


def command_line() -> str:
    """Return the command as it was given."""
    return GIVEN.get()
