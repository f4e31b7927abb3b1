"""Kinds of values that several tables of a bay file share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated, Any

from pydantic import Field

from bench.errors import ConfigError
from bench.scene.holder import stepped
from bench.scene.quantities import Interval, Pair, Quantities, Quantity, Triple
from bench.strict import Section

# Ranges that files and options share: of what stands in a bay, not of what a number can hold.
FLOOR_DISTANCE = Quantity("length", "0 m", "40 m", above=True)  # beyond the longest bus
FLOOR_OFFSET = Quantity("length", "-20 m", "20 m")
FLOOR_HEIGHT = Quantity("length", "0 m", "10 m")
BAR_LENGTH = Quantity("length", "0.1 m", "20 m")
BAR_UNCERTAINTY = Quantity("length", "0 m", "0.1 m", above=True)
OUTBOARD = Quantity("length", "-2 m", "2 m")
RIM = Quantity("length", "0.1 m", "2 m")
# Standard uncertainties and errors of what people set up and read.
ERROR_LENGTH = Quantity("length", "0 m", "0.1 m")
ERROR_ANGLE = Quantity("angle", "0 deg", "5 deg")
KNOWN_LENGTH = Quantity("length", "0 m", "0.1 m", above=True)
KNOWN_ANGLE = Quantity("angle", "0 deg", "5 deg", above=True)
LEAN = Quantity("angle", "0 deg", "10 deg")
SCATTER_LENGTH = Quantity("length", "0 m", "1 m")
SCATTER_ANGLE = Quantity("angle", "0 deg", "30 deg")
ROLL = Quantity("angle", "-180 deg", "180 deg")
ROLL_SPREAD = Quantity("angle", "0 deg", "180 deg")
CORNER_SIGMA = Quantity("pixels", "0 px", "100 px", above=True)
TOLERANCE = Quantity("angle", "0 deg", "90 deg", above=True)

Name = Annotated[
    str, Field(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f]+$", examples=["left"])
]
Angle = Annotated[float, Quantity("angle", "-180 deg", "180 deg")]
Tilt = Annotated[float, Quantity("angle", "-89 deg", "89 deg")]
Tilts = Annotated[tuple[float, ...], Quantities("angle", "-89 deg", "89 deg")]
Fraction = Annotated[float, Field(ge=0.0, le=1.0, examples=[0.98])]
Probability = Annotated[float, Field(gt=0.0, lt=1.0)]
Confidence = Annotated[float, Field(gt=0.5, lt=1.0)]
Size = Annotated[float, Quantity("length", "1 mm", "200 m")]
Distance = Annotated[float, Quantity("length", "0 m", "200 m")]
Coordinate = Annotated[float, Quantity("length", "-200 m", "200 m")]
PlanPoint = Annotated[tuple[float, float], Pair("length", "-200 m", "200 m")]
Point = Annotated[tuple[float, float, float], Triple("length", "-200 m", "200 m")]
Extent = Annotated[tuple[float, float, float], Triple("length", "1 mm", "200 m")]
LengthInterval = Annotated[tuple[float, float], Interval("length", "0 m", "200 m")]
AngleStep = Annotated[float, Quantity("angle", "0.01 deg", "45 deg")]
AngleInterval = Annotated[tuple[float, float], Interval("angle", "-89 deg", "89 deg")]


def given(section: Section, *leave_out: str) -> dict[str, Any]:
    """Return the keys of a table that have a value, without those to leave out."""
    values = {name: getattr(section, name) for name in type(section).model_fields}
    return {k: v for k, v in values.items() if v is not None and k not in leave_out}


def check_distinct(what: str, names: Sequence[str]) -> None:
    """Raise ValueError, as pydantic wants it, when two things have the same name."""
    for name in names:
        if names.count(name) > 1:
            raise ValueError(f"two of the {what}s are called '{name}'; names must differ")


def refuse_both(section: Section, key: str, *others: str) -> None:
    """Raise ValueError, as pydantic wants it, when a table has a key and another beside it."""
    for other in others:
        if getattr(section, key) is not None and getattr(section, other) is not None:
            raise ValueError(f"{key} and {other} contradict each other: leave one out")


def refuse_empty(limits: tuple[float, float], step: float) -> None:
    """Raise ValueError, as pydantic wants it, when no whole step lies within limits, radians."""
    try:
        stepped(limits, step, math.pi)
    except ConfigError as error:
        raise ValueError(str(error)) from error
