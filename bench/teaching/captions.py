"""The texts of the teaching pictures: a catalogue that trainers reword or translate.

A catalogue with a ``language`` is complete by itself: every key must be there. One without is a
rewording: what it has replaces the chosen language's text, the rest stays.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from string import Formatter
from typing import Any

from bench.assets import PLACES, asset
from bench.errors import ConfigError
from bench.files import write_atomically
from bench.strict import read_toml
from bench.teaching.scenes import (
    OWN_NAME,
    OWN_SET,
    SCENES,
    SETS,
    SWEEP_NAME,
    SWEEP_SET,
)

WORDS = (
    "true_scale",
    "enlarged",
    "from_above",
    "from_side",
    "from_behind",
    "frame",
    "target",
    "bar",
    "plumb_line",
    "angle_true",
    "angle_drawn",
    "as_built",
    "as_drawn",
    "result",
    "result_some",
    "result_none",
    "result_slip",
    "result_slip_none",
    "result_plumb",
    "interval",
    "no_interval",
    "better",
    "same",
    "worse",
    "along",
    "along_against",
    "fits",
    "fits_alone",
    "fits_none",
    "inside",
    "outside",
    "unsure",
    "unsure_rate",
    "inside_within",
    "outside_within",
    "unsure_within",
    "few",
    "none",
    "alarm",
    "degree",
    "sheet",
)
# What may be said once the numbers are known, by set: the class of outcome chooses. A class that
# a set has no text of its own for takes that of "any".
ANY = "any"
OUTCOMES = {
    ANY: (
        "inside",
        "outside",
        "unsure",
        "few",
        "none",
        "better",
        "same",
        "worse",
        "along",
        "anyway",
    ),
    "tilt": ("inside", "outside", "better", "same", "worse"),
    "range": ("same", "worse"),
    "aim": ("same", "worse", "few", "none"),
    "light": ("same", "worse", "none"),
    "blur": ("same", "worse", "none"),
    "dirt": ("same", "worse", "few", "none"),
    "mirror": ("clear", "doubt"),
    "slip": ("inside", "alarm", "false", "quiet", "few", "none"),
    "plumb": ("same", "worse"),
}
PLACEHOLDERS = (
    "range",
    "tilt",
    "turn",
    "size",
    "across",
    "margin",
    "n",
    "pictures",
    "usable",
    "missed",
    "mirrored",
    "unsure",
    "rms",
    "low",
    "high",
    "interval",
    "along",
    "tolerance",
    "camber",
    "toe",
    "alarms",
    "lean",
    "slip",
    "slipped",
    "step",
    "steps",
    "blur",
    "motion",
    "light",
    "dark",
    "bright",
    "saturated",
    "fit",
    "second",
    "fits",
    "asked",
    "within",
    "rolls",
    "factor",
    "reference",
    "reference_rms",
    "reference_interval",
    "reference_along",
    "reference_size",
    "bay",
    "target",
    "pipeline",
    "seed",
    "page",
    "pages",
    "version",
)
KEYS = (
    "language",
    "decimal",
    *(f"words.{word}" for word in WORDS),
    *(f"set.{name}.{part}" for name in SETS for part in ("title", "text")),
    *(f"scene.{scene.key}.{part}" for scene in SCENES for part in ("title", "why")),
    *(f"scene.{SWEEP_SET}.{SWEEP_NAME}.{part}" for part in ("title", "why")),
    *(f"scene.{OWN_SET}.{OWN_NAME}.{part}" for part in ("title", "why")),
    *(f"outcome.{name}.{outcome}" for name, own in OUTCOMES.items() for outcome in own),
)
MOST = 600  # characters of a text: a card holds no more


@dataclass(frozen=True)
class Captions:
    """A catalogue as read: texts by dotted key."""

    texts: Mapping[str, str]

    def say(self, key: str, values: Mapping[str, str] | None = None) -> str:
        """Return a text with its placeholders filled in; a number that isn't there is a dash."""
        filled = dict.fromkeys(PLACEHOLDERS, "–") | dict(values or {})
        return self.texts[key].format_map(filled)

    def number(self, value: float | None, unit: str = "", digits: int = 2) -> str:
        """Return a number to so many significant digits, with the language's decimal mark."""
        if value is None or value != value:
            return "–"
        rounded = float(f"{value:.{digits - 1}e}")
        text = f"{rounded:.10f}".rstrip("0").rstrip(".") if abs(rounded) < 1e6 else f"{rounded:g}"
        text = text.replace(".", self.texts["decimal"]).replace("-", "−")
        unit = self.texts["words.degree"] if unit == "deg" else unit
        # the SI Brochure, 9th edition, 5.4.3: a space before each unit but ° of a plane angle
        return f"{text}{unit}" if unit in ("", "°") else f"{text} {unit}"


def outcome_key(set_name: str, outcome: str) -> str:
    """Return the key of the text for an outcome in a set."""
    own = outcome in OUTCOMES.get(set_name, ())
    return f"outcome.{set_name if own else ANY}.{outcome}"


def languages() -> tuple[str, ...]:
    """Return the languages that ship, such as ``("de", "en")``."""
    found = {path.stem for place in PLACES for path in (place / "captions").glob("*.toml")}
    return tuple(sorted(found))


def read_captions(language: str, reworded: Path | None = None) -> Captions:
    """Return a shipped catalogue, or a trainer's own.

    Parameters
    ----------
    language : str
        One of `languages`.
    reworded : path, optional
        A catalogue of the trainer's; see the module's text.

    Raises
    ------
    ConfigError
        There is no such language; a file can't be read; a key is missing or unknown, or a text
        is empty, too long, or has a placeholder that isn't known.
    """
    path = asset(f"captions/{_known(language)}.toml")
    texts = _read(path)
    if reworded is None:
        return Captions(_complete(texts, path))
    own = _read(reworded)
    if "language" in own:
        return Captions(_complete(own, reworded))
    return Captions(_complete(texts, path) | own)


def copy_captions(language: str, path: Path) -> None:
    """Write a shipped catalogue to a new file.

    Raises
    ------
    ConfigError
        There is no such language, or the file exists already.
    RunError
        It can't be written.
    """
    shipped = asset(f"captions/{_known(language)}.toml")
    if path.exists():
        raise ConfigError(f"{path}: exists already; name a new file")
    write_atomically(path, shipped.read_bytes())


def _known(language: str) -> str:
    if language not in languages():
        raise ConfigError(f"--language: '{language}' must be one of {', '.join(languages())}")
    return language


def _complete(texts: dict[str, str], path: Path) -> dict[str, str]:
    for key in KEYS:
        if key not in texts:
            raise ConfigError(f"{path}: {key} is missing")
    return texts


def _read(path: Path) -> dict[str, str]:
    texts = dict(_flat(read_toml(path), "", path))
    for key, text in texts.items():
        if key not in KEYS:
            close = get_close_matches(key, KEYS, n=1)
            hint = f"; did you mean {close[0]}?" if close else ""
            raise ConfigError(f"{path}: unknown key {key}{hint}")
        _check(text, key, path)
    return texts


def _flat(content: Any, prefix: str, path: Path) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    for name, value in content.items():
        key = f"{prefix}{name}"
        if isinstance(value, dict):
            found += _flat(value, f"{key}.", path)
        elif isinstance(value, str):
            found.append((key, value))
        else:
            raise ConfigError(f"{path}: {key}: {value!r} must be a text")
    return found


def _check(text: str, key: str, path: Path) -> None:
    if not text.strip() or len(text) > MOST:
        raise ConfigError(f"{path}: {key}: must have 1 to {MOST} characters, has {len(text)}")
    if key == "decimal" and text not in (".", ","):
        raise ConfigError(f"{path}: decimal: '{text}' must be '.' or ','")
    try:
        parts = [part for part in Formatter().parse(text) if part[1] is not None]
    except ValueError as error:
        raise ConfigError(f"{path}: {key}: braces don't match: {error}") from error
    for _, name, form, conversion in parts:
        if name not in PLACEHOLDERS or form or conversion:
            raise ConfigError(
                f"{path}: {key}: {{{name}}} is no placeholder; known are {', '.join(PLACEHOLDERS)}"
            )
