"""Fields of a file that hold a quantity with its unit: read, checked against limits, in SI."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic import Field, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from bench.errors import ConfigError
from bench.units import UNITS, quantities, quantity, shown


def written(default: str | tuple[str, ...]) -> Any:
    """Return a field's default as the file would have it, ``"15 deg"``, read like any value."""
    return Field(default, validate_default=True)


@dataclass(frozen=True)
class Quantity:
    """Marks a float field as a quantity: ``Annotated[float, Quantity("length", "1 mm", "9 m")]``.

    Attributes
    ----------
    kind : str
        A key of `bench.units.UNITS`.
    low, high : str
        Limits, themselves quantities; `high` is allowed, `low` unless `above`.
    above : bool
        Whether the value must exceed `low`.
    """

    kind: str
    low: str
    high: str
    above: bool = False

    def read(self, value: Any) -> Any:
        """Return the value in SI units; ValueError says what is wrong, as pydantic wants it."""
        try:
            return self._within(quantity(value, self.kind), value)
        except ConfigError as error:
            raise ValueError(str(error)) from error

    def _within(self, number: float, value: Any) -> float:
        low, high = quantity(self.low, self.kind), quantity(self.high, self.kind)
        if not (low < number if self.above else low <= number) or number > high:
            limits = f"{'above ' if self.above else 'from '}{self.low} to {self.high}"
            raise ConfigError(f"{shown(value)} lies outside the limits, {limits}")
        return number

    @property
    def json_schema(self) -> dict[str, Any]:
        """What an editor is told."""
        return {"type": "string", "examples": list(UNITS[self.kind][2])}

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return self.json_schema


@dataclass(frozen=True)
class Quantities(Quantity):
    """Marks a tuple field as a list in one string, ``"2.5, 4, 6 m"``."""

    def read(self, value: Any) -> Any:
        """Return the values in SI units."""
        try:
            numbers = quantities(value, self.kind)
            return tuple(self._within(number, value) for number in numbers)
        except ConfigError as error:
            raise ValueError(str(error)) from error

    @property
    def json_schema(self) -> dict[str, Any]:
        """What an editor is told."""
        unit = next(iter(UNITS[self.kind][1]))
        return {"type": "string", "examples": [f"1, 2.5, 6 {unit}"]}


@dataclass(frozen=True)
class Pair(Quantity):
    """Marks a field as two quantities, ``["260 mm", "300 mm"]``."""

    count = 2

    def read(self, value: Any) -> Any:
        """Return the values in SI units."""
        if not isinstance(value, list | tuple) or len(value) != self.count:
            how_many = {2: "two", 3: "three"}[self.count]
            raise ValueError(f"{shown(value)} must be a list of {how_many} quantities")
        return tuple(super(Pair, self).read(one) for one in value)

    @property
    def json_schema(self) -> dict[str, Any]:
        """What an editor is told."""
        count = self.count
        return {
            "type": "array",
            "items": super().json_schema,
            "minItems": count,
            "maxItems": count,
        }


@dataclass(frozen=True)
class Triple(Pair):
    """Marks a field as three quantities, ``["1 m", "2 m", "300 mm"]``."""

    count = 3


@dataclass(frozen=True)
class Interval(Pair):
    """Marks a field as a least and a greatest quantity, ``["2 m", "5 m"]``."""

    def read(self, value: Any) -> Any:
        """Return the two values in SI units."""
        least, greatest = super().read(value)
        if least > greatest:
            raise ValueError(f"{shown(value)} must begin with the smaller one")
        return least, greatest


# Of lenses that are sold for cameras with a sensor, fisheyes and long telephotos included.
FOCAL_LENGTH = Quantity("length", "0.5 mm", "300 mm")


@dataclass(frozen=True)
class FocalLength:
    """A focal length as the file has it.

    Attributes
    ----------
    unit : str
        ``"px"`` or ``"m"``.
    values : (float, float)
        Across and down; the same when the file gives one.
    """

    unit: str
    values: tuple[float, float]


@dataclass(frozen=True)
class FocalLengthField:
    """Marks a `FocalLength` field: ``"12 mm"``, ``"3478 px"`` or a pair in pixels."""

    def read(self, value: Any) -> FocalLength:
        """Return the focal length; ValueError says what is wrong."""
        if isinstance(value, list | tuple):
            pair = Pair("pixels", "1 px", "1e6 px").read(value)
            return FocalLength("px", pair)
        if isinstance(value, str) and value.rstrip().endswith("px"):
            number = Quantity("pixels", "1 px", "1e6 px").read(value)
            return FocalLength("px", (number, number))
        number = FOCAL_LENGTH.read(value)
        return FocalLength("m", (number, number))

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        one = {"type": "string", "examples": ["12 mm", "3478 px"]}
        pair = {"type": "array", "items": {"type": "string"}, "minItems": 2, "maxItems": 2}
        return {"anyOf": [one, pair]}
