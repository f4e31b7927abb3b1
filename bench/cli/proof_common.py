"""The argument and the limits that checks on site share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bench.errors import ConfigError

TableArgument = Annotated[
    Path, typer.Argument(metavar="TABLE.csv", help="What was measured.", show_default=False)
]


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
