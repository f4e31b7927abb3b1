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
from bench.guide.illustrate_scenes import (
    OWN_NAME,
    OWN_SET,
    SCENES,
    SETS,
    SWEEP_NAME,
    SWEEP_SET,
)
from bench.scene.strict import read_toml

WORDS = (
    "true_scale",
    "enlarged",
    "from_above",
    "from_side",
    "frame",
    "target",
    "bar",
    "plumb_line",
    "angle_true",
    "angle_drawn",
    "result",
    "result_none",
    "result_slip",
    "result_plumb",
    "inside",
    "outside",
    "too_few",
    "none",
    "alarm",
    "degree",
    "sheet",
)
PLACEHOLDERS = (
    "range",
    "tilt",
    "turn",
    "size",
    "margin",
    "n",
    "usable",
    "missed",
    "mirrored",
    "unsure",
    "rms",
    "p95",
    "along",
    "tolerance",
    "camber",
    "toe",
    "alarms",
    "lean",
    "slip",
    "slipped",
    "blur",
    "motion",
    "light",
    "fit",
    "second",
    "asked",
    "factor",
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
        return f"{text} {unit}" if unit else text


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
    if language not in languages():
        raise ConfigError(f"--language: '{language}' must be one of {', '.join(languages())}")
    path = asset(f"captions/{language}.toml")
    texts = _read(path)
    if reworded is None:
        return Captions(_complete(texts, path))
    own = _read(reworded)
    if "language" in own:
        return Captions(_complete(own, reworded))
    return Captions(_complete(texts, path) | own)


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
