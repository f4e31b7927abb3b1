"""The texts of the teaching pictures: a catalogue that trainers reword or translate.

A catalogue with a ``language`` is complete by itself: every key must be there. One without is a
rewording: what it has replaces the chosen language's text, the rest stays.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
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
    LONGEST,
    OWN_NAME,
    OWN_SET,
    SCENES,
    SWEEP_NAME,
    SWEEP_SET,
    Scene,
    good_of,
)
from bench.teaching.sets import SETS
from bench.units import figures

WORDS = (
    "from_above", "from_side", "from_behind", "enlarged", "brightened",
    "dot", "shrunk", "drawn", "lamp",
    "image",
    "cure", "window", "sun", "shade", "post", "tyre", "clamp", "mud", "grease", "focus", "edge",
    "plumb", "was", "bar", "other", "mirrored", "wanted", "there", "as_built", "as_drawn", "rate",
    "toe", "camber", "inside", "outside", "unsure", "unsure_level", "few", "none", "empty",
    "alarm", "mean_inside", "mean_outside", "mean_unsure", "numbers", "numbers_none",
    "numbers_mean", "numbers_slip", "interval", "scale", "scale_mean", "tolerance", "moved",
    "step", "lost", "degree", "sheet", "show", "say", "ask", "figures", "good", "bad", "steepest",
    "steepest_lesson", "steepest_open", "steepest_bend", "steepest_bend_at", "steepest_axis",
    "steepest_error", "steepest_all", "steepest_plate",
)  # fmt: skip
# What may be added to a lesson once the numbers are known; what came as it is taught needs none.
OUTCOMES = ("inside", "same", "better", "along", "anyway", "unsure", "quiet", "harmless")
PLACEHOLDERS = (
    "range", "tilt", "size", "across", "margin", "n", "pictures", "usable", "missed", "wrong_id",
    "doubt", "lost", "within", "needed", "rms", "low", "high", "interval", "error", "along",
    "along_good", "tolerance", "quantity", "alarms", "slip", "slipped", "step", "steps", "motion",
    "focus", "twist", "by", "dark", "bright", "saturated", "moved", "cure", "lamp_angle", "there",
    "wanted", "factor", "bay", "target", "pipeline", "seed", "page", "pages", "version",
    "steepest", "first", "next", "bends", "bend", "flatness", "light",
)  # fmt: skip
_PARTS = ("title", "mark", "lesson", "why")
_NAMED = (
    *SCENES,
    *(Scene(set=s, name=n) for s, n in ((SWEEP_SET, SWEEP_NAME), (OWN_SET, OWN_NAME))),
)
KEYS = (
    "language",
    "decimal",
    *(f"words.{word}" for word in WORDS),
    *(f"set.{name}" for name in SETS),
    *(f"outcome.{name}" for name in OUTCOMES),
    *(
        f"scene.{scene.key}.{part}"
        for scene in _NAMED
        for part in (_PARTS if good_of(scene) or scene.set == OWN_SET else _PARTS[:2])
    ),
)
MOST = 600  # characters of any other text


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
        text = figures(value, digits).replace(".", self.texts["decimal"])
        unit = self.texts["words.degree"] if unit == "deg" else unit
        # the SI Brochure, 9th edition, 5.4.3: a space before each unit but ° of a plane angle
        return f"{text}{unit}" if unit in ("", "°") else f"{text} {unit}"


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


def with_scenes(captions: Captions, scenes: Iterable[Scene], path: Path) -> Captions:
    """Return a catalogue with the texts of a trainer's own scenes.

    Raises
    ------
    ConfigError
        A text has a placeholder that isn't known.
    """
    own: dict[str, str] = {}
    for scene in scenes:
        assert scene.texts is not None  # `read_scenes` asks for them
        for part, text in scene.texts.model_dump().items():
            _check(text, f"scene {scene.key}: {part}", path)
            own[f"scene.{scene.key}.{part}"] = text
    return Captions(dict(captions.texts) | own)


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
    most = LONGEST.get(key.rpartition(".")[2], MOST) if key.startswith("scene") else MOST
    if not text.strip() or len(text) > most:
        raise ConfigError(f"{path}: {key}: must have 1 to {most} characters, has {len(text)}")
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
