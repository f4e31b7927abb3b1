"""Options and arguments that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, TypeVar

import typer

from bench import files, units
from bench.errors import BenchError, ConfigError

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


def _local(path: object) -> Path:
    """Return a path on this machine.

    Raises
    ------
    ConfigError
        It is the address of an object store.
    """
    if "://" in str(path):
        raise ConfigError(
            f"{path}: only 'map', 'contour', 'choose', 'limits' and 'report' take object stores"
        )
    return Path(str(path))


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
# A path, or an address in an object store, see `bench.files.place`.
parse_place = _parser("DIR", files.place)  # type: ignore[arg-type]  # typer gives it text
# Give it the command's own default: ``out: OutOption = Path("sightbench-map")``.
OutOption = Annotated[
    Path,
    typer.Option(
        "--out",
        metavar="DIR",
        parser=_parser("DIR", _local),
        help="Where to write; made when it is missing.",
    ),
]
# The same for commands whose runs may be in an object store.
PlaceOption = Annotated[
    Path,
    typer.Option(
        "--out",
        metavar="DIR",
        parser=parse_place,
        help="Where to write; made when it is missing. An address such as s3://bucket/run is "
        "in an object store: pip install 'sightbench[stores]' and the store's driver.",
    ),
]
