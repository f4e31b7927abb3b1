"""The command as it was given and when it began, which results name."""

from __future__ import annotations

from contextvars import ContextVar

from bench.provenance import now

# Set by `bench.cli.main.main` for the command that it runs.
GIVEN: ContextVar[str] = ContextVar("GIVEN", default="sightbench")
STARTED: ContextVar[str] = ContextVar("STARTED")


def command_line() -> str:
    """Return the command as it was given."""
    return GIVEN.get()


def started_at() -> str:
    """Return when the command began, see `bench.provenance.now`."""
    return STARTED.get(now())
