"""Paths of the files that ship with the package."""

from __future__ import annotations

from pathlib import Path

from bench.errors import ConfigError

PACKAGE = Path(__file__).resolve().parent
# in an installed package, and in a source tree (editable installs)
PLACES = (PACKAGE / "assets", PACKAGE.parent / "assets")


def asset(name: str) -> Path:
    """Return the path of a shipped file.

    Raises
    ------
    ConfigError
        There is none of that name: the installation is incomplete.
    """
    for place in PLACES:
        if (place / name).is_file():
            return place / name
    raise ConfigError(f"{name} is missing from {PLACES[0]}: install the package again")
