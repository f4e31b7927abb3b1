"""Quantities as people write them, and SI numbers inside: "2.35 m", "6 ft 3 in", "0.05 deg".

Units and their factors are pint's. Only the units listed in `UNITS` are accepted, so that a
slip is refused rather than read as something else: to pint alone "3 px" is a length (a CSS
pixel), "5 %" an angle and "2*3 m" an expression.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from functools import lru_cache
from typing import Any, Literal

from bench.errors import ConfigError

# kind: (unit inside, {as written: pint's name}, examples)
UNITS: dict[str, tuple[str, dict[str, str], tuple[str, ...]]] = {
    "length": (
        "meter",
        {
            "m": "meter",
            "cm": "centimeter",
            "mm": "millimeter",
            "um": "micrometer",
            "nm": "nanometer",
            "ft": "foot",
            "in": "inch",
        },
        ("2.5 m", "200 mm", "6 ft 3 in"),
    ),
    "angle": (
        "radian",
        {
            "deg": "degree",
            "°": "degree",
            "arcmin": "arcminute",
            "arcsec": "arcsecond",
            "rad": "radian",
            "mrad": "milliradian",
        },
        ("0.05 deg", "3 mrad"),
    ),
    "time": ("second", {"s": "second", "ms": "millisecond", "us": "microsecond"}, ("5 ms",)),
    "pixels": ("pixel", {"px": "pixel"}, ("0.6 px",)),
    "electrons": ("electron", {"e-": "electron", "ke-": "kiloelectron"}, ("2.5 e-",)),
    "current": ("electron / second", {"e-/s": "electron / second"}, ("3 e-/s",)),
    "grey value": ("grey_value", {"DN": "grey_value"}, ("4 DN",)),
    "gain": ("grey_value / electron", {"DN/e-": "grey_value / electron"}, ("0.02 DN/e-",)),
    "temperature difference": ("kelvin", {"K": "kelvin"}, ("5 K",)),
    "expansion": ("1 / kelvin", {"ppm/K": "ppm / kelvin", "1/K": "1 / kelvin"}, ("12 ppm/K",)),
    "gradient": ("1 / meter", {"1/m": "1 / meter", "%/m": "percent / meter"}, ("5 %/m",)),
}

NUMBER = r"(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
# 2.5 m, 2.5m, -3e-2 1/m; the unit is looked up, so anything that can't be one may stand here
QUANTITY = re.compile(rf"(?P<number>[+-]?{NUMBER})(?: ?(?P<unit>\S+))?")
COMMA = re.compile(r"[+-]?[0-9]+,[0-9]")
# 6 ft 3 in, 6 ft 3 1/2 in, 6' 3", 7', 3/4 in
FEET_AND_INCHES = re.compile(
    r"(?P<sign>[+-]?)(?:(?P<feet>[0-9]+) ?(?:ft|'|′))?"
    rf"(?: ?(?P<inches>(?:[0-9]+ )?[0-9]+/[1-9][0-9]*|{NUMBER}) ?(?:in|\"|″))?"
)
INCHES_PER_FOOT = 12
SIXTEENTHS = 16

Style = Literal["m", "mm", "um", "ft-in"]


def quantity(text: object, kind: str) -> float:
    """Return a quantity in SI units (radians, pixels, electrons, grey values where they apply).

    Parameters
    ----------
    text : str
        A number and a unit. A bare 0 needs no unit.
    kind : str
        A key of `UNITS`.

    Raises
    ------
    ConfigError
        Not a finite number with a unit of that kind; the message says what is accepted.
    """
    inside, units, _ = UNITS[kind]
    if isinstance(text, int | float) and not isinstance(text, bool):
        text = repr(text)
    if not isinstance(text, str):
        raise ConfigError(f"{shown(text)} can't be read as {kind}: {_accepted(kind)}")
    cleaned = " ".join(text.split()).replace("µ", "u").replace("μ", "u")
    if kind == "length" and (metres := _feet_and_inches(cleaned)) is not None:
        return metres
    match = QUANTITY.fullmatch(cleaned)
    if match is None:
        comma = "a point, not a comma, before decimals; " if COMMA.match(cleaned) else ""
        raise ConfigError(f"{shown(text)} can't be read as {kind}: {comma}{_accepted(kind)}")
    number, unit = float(match["number"]), match["unit"]
    if unit is None:
        if number == 0.0:
            return 0.0
        raise ConfigError(f"{shown(text)} lacks a unit: {_accepted(kind)}")
    if unit not in units:
        raise ConfigError(f"{shown(text)}: '{unit}' is not a unit of {kind}: {_accepted(kind)}")
    return _finite(_exactly(number, text) * _factor(units[unit], inside), text)


def length(text: object) -> float:
    """Return a length in metres; takes feet and inches too. Raises as `quantity` does."""
    return quantity(text, "length")


def angle(text: object) -> float:
    """Return an angle in radians. Raises as `quantity` does."""
    return quantity(text, "angle")


def quantities(text: object, kind: str) -> tuple[float, ...]:
    """Return a list of quantities, ``"2.5, 4, 6 m"``, where the last unit serves all before it.

    Raises
    ------
    ConfigError
        As `quantity` does, for the first entry that is wrong.
    """
    if not isinstance(text, str):
        return (quantity(text, kind),)
    entries = [" ".join(entry.split()) for entry in text.split(",")]
    last = QUANTITY.fullmatch(entries[-1])
    unit = "" if last is None or last["unit"] is None else f" {last['unit']}"
    bare = re.compile(rf"[+-]?{NUMBER}")
    return tuple(quantity(e + unit if bare.fullmatch(e) else e, kind) for e in entries)


def lengths(text: object) -> tuple[float, ...]:
    """Return lengths in metres, ``"2.5, 4, 6 m"``. Raises as `quantity` does."""
    return quantities(text, "length")


def angles(text: object) -> tuple[float, ...]:
    """Return angles in radians, ``"0, 15, 30 deg"``. Raises as `quantity` does."""
    return quantities(text, "angle")


def format_length(metres: float, style: Style = "m") -> str:
    """Return a length for people.

    "m" rounds to a millimetre, "mm" to a tenth of one, "um" to a hundredth of a micrometre
    (a small number keeps three digits), "ft-in" to the nearest sixteenth of an inch.
    """
    if style == "m":
        return f"{_rounded(metres, 3)} m"
    if style == "mm":
        return f"{_rounded(metres / 1e-3, 1)} mm"
    if style == "um":
        return f"{_rounded(metres / 1e-6, 2)} um"
    sixteenths = round(Fraction(abs(metres)) / Fraction("0.0254") * SIXTEENTHS)
    sign = "-" if metres < 0 and sixteenths else ""
    inches, part = divmod(sixteenths, SIXTEENTHS)
    feet, inches = divmod(inches, INCHES_PER_FOOT)
    fraction = f" {Fraction(part, SIXTEENTHS)}" if part else ""
    return f"{sign}{feet} ft {inches}{fraction} in"


def format_angle(radians: float) -> str:
    """Return an angle in degrees, to a thousandth; a small one keeps three digits."""
    return f"{_rounded(math.degrees(radians), 3)} deg"


# Where a unit gives numbers that begin with zeros: below what, which one people use, its factor.
FINER = {"deg": (1e-3, "arcsec", 3600.0), "mm": (1e-2, "um", 1e3)}


def figures(value: float | None, digits: int = 2) -> str:
    """Return a number for people: so many significant digits, none of the integer ones lost.

    "none" where there is none.
    """
    if value is None or not math.isfinite(value):
        return "none"
    rounded = float(f"{value:.{digits - 1}e}")
    if 0.0 < abs(rounded) < 1e-6:
        return f"{value:.{digits}g}".replace("-", "−")
    places = digits - 1 - math.floor(math.log10(abs(rounded))) if rounded else 0
    text = f"{value:.{max(places, 0)}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return text.replace("-", "−")


def readable(unit: str, value: float | None, *others: float | None) -> tuple[list[str], str]:
    """Return numbers for people, two digits each, and their unit, which suits the first.

    A column of a table keeps one unit throughout, or its rows couldn't be compared: `figures`.
    """
    least, finer, factor = FINER.get(unit, (0.0, "", 1.0))
    if value is not None and 0.0 < abs(value) < least:
        unit = finer
    else:
        factor = 1.0
    return [figures(None if v is None else factor * v) for v in (value, *others)], unit


def measured(value: float | None, u: float | None) -> tuple[str, str]:
    """Return a value and its uncertainty: this to two digits, that to the same place.

    As JCGM 100:2008, 7.2.6 has it; four digits where nothing is known.
    """
    if value is None or u is None or not (math.isfinite(value) and math.isfinite(u) and u > 0.0):
        return figures(value, 4), figures(u)
    places = max(1 - math.floor(math.log10(float(f"{u:.1e}"))), 0)
    return f"{value:.{places}f}".replace("-", "−"), f"{u:.{places}f}"


def shown(value: object) -> str:
    """Return a value as error messages quote it: on one line and not too long."""
    text = " ".join("".join(c if c.isprintable() else " " for c in str(value)).split())
    return f"'{text[:40]}…'" if len(text) > 41 else f"'{text}'"


def _rounded(value: float, decimals: int) -> str:
    if 0.0 < abs(value) < 1.0:
        decimals = max(decimals, min(12, 2 - math.floor(math.log10(abs(value)))))
    text = f"{value:.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if decimals else text
    return "0" if text == "-0" else text


def _accepted(kind: str) -> str:
    _, units, examples = UNITS[kind]
    such_as = (
        " or ".join((", ".join(examples[:-1]), examples[-1])) if examples[1:] else examples[0]
    )
    return f"write a number and a unit ({', '.join(units)}), such as {such_as}"


def _exactly(number: float, text: str) -> Fraction:
    """Return the number as the decimal that was written, so that 5.86 um is 5.86e-6 m."""
    return Fraction(repr(_finite(number, text)))


def _finite(number: Fraction | float, text: str) -> float:
    try:
        value = float(number)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise ConfigError(f"{shown(text)} is too large a number")
    return value


def _feet_and_inches(text: str) -> float | None:
    """Return metres, or None when the text isn't of this form."""
    match = FEET_AND_INCHES.fullmatch(text)
    if match is None or (match["feet"] is None and match["inches"] is None):
        return None
    parts = (match["inches"] or "0").split()
    inches = sum(Fraction(p) if "/" in p else _exactly(float(p), text) for p in parts)
    if match["feet"] is not None:
        if inches >= INCHES_PER_FOOT:
            raise ConfigError(f"{shown(text)}: inches after feet must be below 12")
        inches += INCHES_PER_FOOT * Fraction(match["feet"])
    metres = _finite(inches * _factor("inch", "meter"), text)
    return -metres if match["sign"] == "-" else metres


@lru_cache(maxsize=1)
def _registry() -> Any:
    # Importing pint and building its registry take half a second, so only when needed.
    # Exact fractions keep 1 ft at 0.3048 m to the last bit.
    import pint

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(non_int_type=Fraction)
    registry.define("electron = [electron]")
    registry.define("grey_value = [grey_value]")
    return registry


@lru_cache(maxsize=64)
def _factor(unit: str, inside: str) -> Fraction:
    registry = _registry()
    return Fraction(registry.Quantity(Fraction(1), unit).to(inside).magnitude)
