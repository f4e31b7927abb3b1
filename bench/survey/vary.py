"""Error against one number of the bay file: a survey's view for each of its values."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from bench.errors import ConfigError
from bench.scene.load import load_bay
from bench.scene.model import Bay
from bench.units import NUMBER, shown

MOST_VALUES = 20
_SIGNED = rf"[+-]?{NUMBER}"
_SPLIT = re.compile(rf"({_SIGNED})\s*(.*)")


@dataclass(frozen=True)
class Variation:
    """A key of the bay file and the values that it takes, as the file writes them.

    Attributes
    ----------
    key : str
        Such as ``budget.flatness`` or ``tower.0.camera.optics.sigma``.
    values : tuple of str, int or float
        Two or more.
    """

    key: str
    values: tuple[str | int | float, ...]

    @property
    def labels(self) -> tuple[str, ...]:
        """The values as text."""
        return tuple(str(value) for value in self.values)

    @property
    def numbers(self) -> tuple[float, ...]:
        """The values' numbers, where they share a unit; else their order."""
        found = [_SPLIT.fullmatch(label) for label in self.labels]
        if len({match and match[2] for match in found}) > 1:
            return tuple(map(float, range(len(self.values))))
        numbers = tuple(float(match[1]) for match in found if match)
        return numbers or tuple(map(float, range(len(self.values))))

    @property
    def unit(self) -> str:
        """The unit that they share; empty for none."""
        found = {match[2] if (match := _SPLIT.fullmatch(one)) else "" for one in self.labels}
        return found.pop() if len(found) == 1 else ""


def parse_variation(text: str) -> Variation:
    """Return the variation of ``KEY=VALUE, VALUE, …``; a unit at the end serves all before it.

    Raises
    ------
    ConfigError
        It isn't one, or a value comes twice.
    """
    key, _, rest = text.partition("=")
    key, words = key.strip(), [word.strip() for word in rest.split(",")]
    if not re.fullmatch(r"\w+(\.\w+)+", key) or len(words) < 2 or not all(words):
        raise ConfigError(
            f"--vary {shown(text)}: write KEY=VALUE, VALUE, ... such as "
            "'budget.flatness=0, 0.1, 0.3 mm': a key of the bay file with its tables, and two "
            "values or more"
        )
    if len(words) > MOST_VALUES:
        raise ConfigError(f"--vary: {len(words)} values; at most {MOST_VALUES}")
    last = _SPLIT.fullmatch(words[-1])
    values = tuple(_value(word, last[2] if last else "") for word in words)
    if len(set(values)) < len(values):
        raise ConfigError(f"--vary: {shown(rest.strip())} has a value twice")
    return Variation(key, values)


def _value(word: str, unit: str) -> str | int | float:
    if not re.fullmatch(_SIGNED, word):
        return word
    if unit:
        return f"{word} {unit}"
    return int(word) if re.fullmatch(r"[+-]?\d+", word) else float(word)


def bays_of(variation: Variation, path: Path | None) -> tuple[Bay, ...]:
    """Return the bay with each of the values.

    Raises
    ------
    ConfigError
        As `bench.scene.load.load_bay`: the file has no such key, or a value is outside its
        limits.
    """
    return tuple(load_bay(path, {variation.key: value}) for value in variation.values)


def varied_table(variation: Variation, cells: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """Return the cells of all values in one table, the value before them."""
    return pl.concat(
        [
            one.select(pl.lit(label).alias("value"), pl.lit(number).alias("number"), pl.all())
            for label, number, one in zip(variation.labels, variation.numbers, cells, strict=True)
        ]
    )


def varied_words(table: pl.DataFrame, tolerance_deg: float) -> list[str]:
    """Say for each pipeline and view from where to where its error goes, against the tolerance."""
    lines = []
    views = ["pipeline", "range_m", "turn_deg", "pitch_deg"]
    for (pipeline, range_m, turn, _), rows in table.group_by(views, maintain_order=True):
        known = rows.filter(pl.col("rms_rot_deg").is_not_null())
        if known.is_empty():
            lines.append(f"{pipeline} at {range_m:g} m, turn {turn:g} deg: no usable case.")
            continue
        first, last = known.row(0, named=True), known.row(-1, named=True)
        worst = known.sort("rms_rot_deg").row(-1, named=True)
        state = "inside" if worst["rms_rot_deg"] <= tolerance_deg else "beyond"
        lines.append(
            f"{pipeline} at {range_m:g} m, turn {turn:g} deg: RMS {first['rms_rot_deg']:.2g} deg "
            f"at {first['value']}, {last['rms_rot_deg']:.2g} at {last['value']}; the worst, "
            f"{worst['rms_rot_deg']:.2g} at {worst['value']}, is {state} the tolerance's "
            f"{tolerance_deg:g} deg; least usable rate "
            f"{100.0 * min(rows['usable_rate'].to_list()):.3g} %."
        )
    return lines
