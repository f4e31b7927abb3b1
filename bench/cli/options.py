"""Options and arguments that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, TypeVar

import typer

from bench import units
from bench.errors import BenchError

Value = TypeVar("Value")


def _parser(name: str, read: Callable[[object], Value]) -> Callable[[str], Value]:
    """Return `read` as an option's parser, whose errors name the option."""

    def parse(text: str) -> Value:
        try:
            return read(text)
        except BenchError as error:
            raise typer.BadParameter(str(error)) from error

    parse.__name__ = name  # typer shows it as the value's type
    return parse


# For `typer.Option(parser=…)`: "2.5 m" to metres, "0.05 deg" to radians.
parse_length = _parser("LENGTH", units.length)
parse_angle = _parser("ANGLE", units.angle)

BayArgument = Annotated[
    Path | None,
    typer.Argument(
        metavar="BAY.toml",
        help="A bay file; the training workshop that ships with the package when left out.",
        show_default=False,
    ),
]
SeedOption = Annotated[
    int | None,
    typer.Option(
        "--seed",
        min=0,
        metavar="N",
        help="Start of all randomness: the same seed gives the same numbers.",
        show_default="from the bay file",
    ),
]
# Give it the command's own default: ``out: OutOption = Path("sightbench-map")``.
OutOption = Annotated[
    Path,
    typer.Option("--out", metavar="DIR", help="Where to write; made when it is missing."),
]
