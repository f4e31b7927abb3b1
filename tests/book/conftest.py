"""A book in a folder, and results to lie in it."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from bench.assets import asset
from bench.book.book import Book, read_book
from bench.book.standing import Standing
from bench.envelope import Facts, Kind, Origin, write_result
from bench.scene.load import SHIPPED_BAY, load_bay
from bench.scene.parts import bay_mark, bay_parts

REGISTRATION = {
    "chi_square": 71.0,
    "degrees": 85,
    "p_value": 0.86,
    "failed_checks": [],
    "off_plan": [],
    "swapped": [],
    "cameras": {},
}


class Folder:
    """A book's folder.

    Attributes
    ----------
    path : Path
        The folder.
    bay : Path
        Its bay file, a copy of the shipped one.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.bay = path / "bay.toml"
        path.mkdir(exist_ok=True)
        self.bay.write_bytes(asset(SHIPPED_BAY).read_bytes())

    def edit(self, old: str, new: str) -> None:
        """Change the bay file's text."""
        text = self.bay.read_text()
        assert text.count(old) == 1
        self.bay.write_text(text.replace(old, new))

    def put(
        self,
        where: str,
        kind: str,
        value: Mapping[str, Any],
        command: str = "sightbench",
        of: Path | None = None,
        parts: Mapping[str, str] | None = None,
    ) -> Path:
        """Write a result as a command would; `of` is its bay file, the book's own by default."""
        bay = load_bay(of or self.bay)
        path = self.path / where
        path.parent.mkdir(parents=True, exist_ok=True)
        made = Origin(
            command, "then", bay_mark(bay), bay_parts(bay) if parts is None else dict(parts)
        )
        return write_result(path, Kind(kind, path.name, "x", Facts), dict(value), made)

    def register(
        self, where: str = "register", options: str = "--table poses.csv", **keys: Any
    ) -> Path:
        """Write a registration; it depends on the bar alone, as `register solve` has it."""
        bar = {"bar": bay_parts(load_bay(self.bay))["bar"]}
        command = f"sightbench register solve {options}"
        where = f"{where}/registration.json"
        return self.put(where, "registration", REGISTRATION | keys, command, parts=bar)

    def read(self) -> Book:
        """Return the book."""
        return read_book(self.path)

    def stage(self, name: str) -> Standing:
        """Return where a stage stands."""
        return next(one for one in self.read().standings if one.name == name)


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Folder:
    """Return a book with nothing but a bay file; results come a second after each other."""
    seconds = itertools.count()
    start = datetime(2030, 1, 1, tzinfo=UTC)
    monkeypatch.setattr(
        "bench.envelope.now", lambda: (start + timedelta(seconds=next(seconds))).isoformat()
    )
    return Folder(tmp_path / "my bay")
