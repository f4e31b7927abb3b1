"""Options and arguments that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from bench import places, units
from bench.conformity import Rule
from bench.errors import BenchError, ConfigError
from bench.scene.fields import CORNER_SIGMA
from bench.scene.quantities import Quantity

if TYPE_CHECKING:  # it takes its time to import, which --help needn't cost
    from bench.scene.model import Bay

Value = TypeVar("Value")


def parser_of(name: str, read: Callable[[object], Value]) -> Callable[[str], Value]:
    """Return `read` as an option's parser, whose errors name the option."""

    def parse(text: str) -> Value:
        try:
            return read(text)
        except (BenchError, ValueError) as error:  # a field's own is what pydantic wants
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
    if not str(path).strip():
        raise ConfigError("is empty: name a directory")
    return Path(str(path))


# For `typer.Option(parser=…)`: "2.5 m" to metres, "0.05 deg" to radians, "0.1 px" to pixels.
# Help shows their names, LENGTH and so on, where an option has no metavar of its own.
parse_length = parser_of("LENGTH", units.length)
parse_angle = parser_of("ANGLE", units.angle)


def within(field: Quantity) -> Callable[[str], float]:
    """Return the parser of a quantity whose range is that of a file's field."""
    return parser_of(field.kind.upper(), field.read)


def option(metavar: str, help_: str, default: bool | str = True, **more: Any) -> Any:
    """Return an option; `default` is what help shows of its default, `more` as typer has it."""
    return typer.Option(metavar=metavar, help=help_, show_default=default, **more)


def quantity_option(help_: str, field: Quantity, default: bool | str = True) -> Any:
    """Return an option that takes a length, an angle or pixels, with its unit.

    `field` is the range, which a file's field may share (`bench.scene.fields`); `default` is what
    help shows of the default.
    """
    return typer.Option(
        parser=within(field), metavar=field.kind.upper(), help=help_, show_default=default
    )


OF_BUDGET = "from the bay file's [budget]"


def percent_option(help_: str) -> Any:
    """Return an option of a relative error, per cent; the bay file's [budget] by default."""
    return typer.Option(min=0.0, max=5.0, metavar="PERCENT", help=help_, show_default=OF_BUDGET)


def fraction(percent: float | None) -> float | None:
    """Return what an option in per cent says, if it was given."""
    return None if percent is None else 0.01 * percent


def centre_option(help_: str) -> Any:
    """Return an option of a principal point's error, pixels; likewise."""
    return typer.Option(min=0.0, max=50.0, metavar="PX", help=help_, show_default=OF_BUDGET)


RuleOption = Annotated[
    Rule | None,
    typer.Option(
        "--rule",
        help="Decision rule where a number is held against its tolerance: the number alone, with "
        "a guard band of U as ISO 14253-1, or by the probability of conformity, JCGM 106.",
        show_default="from the bay file",
    ),
]


def ruled(bay: Bay, rule: Rule | None) -> Bay:
    """Return the bay, its tolerances judged by ``--rule`` where that is given."""
    return bay if rule is None else replace(bay, tolerance=replace(bay.tolerance, rule=rule))


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
TableArgument = Annotated[
    Path, typer.Argument(metavar="TABLE.csv", help="What was measured.", show_default=False)
]
parse_local = parser_of("DIR", _local)
# A path, or an address in an object store, see `bench.places.place`.
parse_place = parser_of("DIR", places.place)  # type: ignore[arg-type]  # typer gives it text
# Give it the command's own default: ``out: OutOption = Path("sightbench-map")``.
OutOption = Annotated[
    Path,
    typer.Option(
        "--out", metavar="DIR", parser=parse_local, help="Where to write; made when it is missing."
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
QuietOption = Annotated[bool, typer.Option("--quiet", help="No word of progress.")]
CornerSigmaOption = Annotated[
    float | None,
    quantity_option(
        "Standard deviation of a found corner's coordinate, with its unit, such as "
        '"0.1 px"; what is predicted is then predicted from corners.',
        CORNER_SIGMA,
        "what the pipeline's detector claims",
    ),
]
PLANNED = "the list that 'sightbench register plan' finds"


def poses_option(help_: str, default: bool | str = PLANNED) -> Any:
    """Return ``--poses``, places of the bar; `default` is what help shows of it."""
    return typer.Option("--poses", metavar="POSES.toml", help=help_, show_default=default)


PosesOption = Annotated[
    Path | None,
    poses_option("Places of the bar, a [[pose]] each, as 'sightbench register plan' writes them."),
]


def registration_option(help_: str) -> Any:
    """Return ``--registration``, the solved one; `help_` says what for."""
    return typer.Option(
        "--registration",
        metavar="registration.json",
        help=f"As 'sightbench register solve' wrote it{help_}",
        show_default=False,
    )


def level_option(help_: str) -> Any:
    """Return ``--level``, the solved one; `help_` says what for."""
    return typer.Option(
        "--level",
        metavar="level.json",
        help=f"As 'sightbench level solve' wrote it{help_}",
        show_default=False,
    )


# Of commands whose argument is a table instead of the bay.
BayOption = Annotated[
    Path | None,
    typer.Option(
        "--bay",
        metavar="BAY.toml",
        help="The bay file: whose towers and bar.",
        show_default="the training workshop",
    ),
]
