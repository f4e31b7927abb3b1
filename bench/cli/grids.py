"""Lists of quantities on the command line: "2.5, 4, 6 m", or start:stop:step as "2 m:20 m:2 m"."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import TYPE_CHECKING

from bench import units
from bench.cli.options import parser_of
from bench.errors import ConfigError
from bench.units import NUMBER

if TYPE_CHECKING:
    from bench.survey.plan import Place

# More than this in one list is a slip of the step, not a survey.
MAX_ENTRIES = 1000


def parse_grid(text: str, read: Callable[[object], tuple[float, ...]]) -> tuple[float, ...]:
    """Return the quantities of a list or of a start:stop:step, both ends included.

    Parameters
    ----------
    text : str
        What was written.
    read : callable
        `bench.units.lengths` or `bench.units.angles`.

    Raises
    ------
    ConfigError
        A quantity can't be read, the step isn't positive, or there would be too many.
    """
    if ":" not in text:
        return read(text)
    parts = text.split(":")
    if len(parts) != 3:
        raise ConfigError(f"{units.shown(text)}: write start:stop:step, such as 2 m:20 m:2 m")
    # a unit written once, at the end, serves all three
    start, stop, step = read(",".join(parts))
    if not step > 0.0 or stop < start:
        raise ConfigError(
            f"{units.shown(text)}: start:stop:step needs a positive step and stop not below start"
        )
    # a stop that rounding puts a hair beyond the last step still counts
    count = math.floor((stop - start) / step + 1e-9) + 1
    if count > MAX_ENTRIES:
        raise ConfigError(f"{units.shown(text)}: {count} entries, at most {MAX_ENTRIES} are taken")
    return tuple(start + i * step for i in range(count))


def parse_position(text: str) -> Place:
    """Return a place in the frame: "axis", "wheels", or fractions such as "0.25,0.5".

    Raises
    ------
    ConfigError
        It is none of them.
    """
    from bench.survey.plan import WHEELS

    if text.strip() == "axis":
        return None
    if text.strip() == WHEELS:
        return WHEELS
    parts = [part.strip() for part in text.split(",")]
    if len(parts) != 2 or not all(re.fullmatch(NUMBER, part) for part in parts):
        raise ConfigError(
            f"position {units.shown(text)}: write 'axis', 'wheels', or fractions across and down "
            "such as 0.25,0.5"
        )
    return float(parts[0]), float(parts[1])


parse_length_grid = parser_of("LENGTHS", lambda text: parse_grid(str(text), units.lengths))
parse_angle_grid = parser_of("ANGLES", lambda text: parse_grid(str(text), units.angles))
