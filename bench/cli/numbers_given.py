"""Numbers on the command line as people write them; Python's own reader takes more."""

from __future__ import annotations

import re
import typing
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import typer
from typer.models import OptionInfo

from bench.errors import ConfigError
from bench.units import shown

PLAIN = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")


def refuse_odd_numbers(command: typer.Typer | Callable[..., Any], given: Sequence[str]) -> None:
    """Refuse ``1_0``, which Python reads as ten, and ``nan``, which passes every limit.

    Parameters
    ----------
    command : typer.Typer or callable
        A command, or an application of some.
    given : sequence of str
        Its arguments.

    Raises
    ------
    ConfigError
        A number is written oddly. What is no number at all is typer's to refuse.
    """
    options = {name for one in callbacks(command) for name in numeric_options(one)}
    for place, argument in enumerate(given):
        if not argument.strip():
            raise ConfigError("an argument is empty: leave it out, or say what is meant")
        name, sign, value = argument.partition("=")
        if name not in options:
            continue
        value = value if sign else next(iter(given[place + 1 : place + 2]), "")
        if _is_odd(value):
            raise ConfigError(f"{name}: {shown(value)} must be a finite number such as 10 or 0.5")


def _is_odd(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return not PLAIN.fullmatch(text) or "inf" in str(float(text))


def callbacks(command: typer.Typer | Callable[..., Any]) -> Iterator[Callable[..., Any]]:
    """Yield the functions behind a command, or behind all of an application."""
    if not isinstance(command, typer.Typer):
        yield command
        return
    for one in command.registered_commands:
        if one.callback is not None:
            yield one.callback
    for group in command.registered_groups:
        if group.typer_instance is not None:
            yield from callbacks(group.typer_instance)


def numeric_options(callback: Callable[..., Any]) -> Iterator[str]:
    """Yield the names of a command's options that typer reads as numbers."""
    for name, hint in typing.get_type_hints(callback, include_extras=True).items():
        kind, *facts = typing.get_args(hint) or (hint,)
        option = next((fact for fact in facts if isinstance(fact, OptionInfo)), None)
        if option is None or option.parser is not None:
            continue
        if {int, float} & {kind, *typing.get_args(kind)}:
            # in an annotation typer takes the first name where the default would stand
            written = [
                str(one)
                for one in (option.default, *(option.param_decls or ()))
                if str(one).startswith("-")
            ]
            yield from written or (f"--{name.replace('_', '-')}",)
