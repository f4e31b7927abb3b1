"""The origin of what a command writes: the command as it was given, its bay and its seed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from bench import __version__
from bench.cli.given import command_line, started_at

if TYPE_CHECKING:
    from bench.envelope import Origin
    from bench.scene.model import Bay


def origin_of(
    bay: Bay | None = None,
    seed: int | None = None,
    parts: Mapping[str, str] | None = None,
    started: str | None = None,
) -> Origin:
    """Return where a command's results come from.

    Parameters
    ----------
    bay : Bay, optional
        Which the command worked on.
    seed : int, optional
        Of its random numbers.
    parts : mapping of str to str, optional
        Digests of what the result depends on; by default all of the bay's.
    started : str, optional
        When their work began; by default when the command did.
    """
    from bench.envelope import Origin
    from bench.scene.parts import bay_mark, bay_parts

    if parts is None:
        parts = {} if bay is None else bay_parts(bay)
    mark = None if bay is None else bay_mark(bay)
    return Origin(command_line(), started or started_at(), mark, parts, seed)


def made_by() -> str:
    """Return command and version as figures say it in small print."""
    return f"{command_line()}; sightbench {__version__}."
