"""What a section of a report is made of, and how the files of other commands are read."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from PIL import Image

from bench.errors import RunError
from bench.report.pictures import StaticFigure, picture_url


@dataclass(frozen=True)
class Table:
    """A caption, and rows of text; the first cell of a row names it."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Section:
    """A section: what it comes to, then tables and figures.

    Attributes
    ----------
    name, title : str
        For links and for people.
    lead : tuple of str
        Sentences.
    tables : tuple of Table
    figures : tuple of StaticFigure
    source : str
        Where it is from: file and command.
    """

    name: str
    title: str
    lead: tuple[str, ...]
    tables: tuple[Table, ...] = ()
    figures: tuple[StaticFigure, ...] = ()
    source: str = ""


def read_content(place: Path, name: str, command: str) -> dict[str, Any]:
    """Return the JSON that a command wrote; `place` is its directory or the file itself.

    Raises
    ------
    RunError
        It isn't there or can't be read.
    """
    path = place if place.is_file() else place / name
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise RunError(f"{place}: there is no {name}; `sightbench {command}` writes it") from error
    except (OSError, ValueError) as error:
        raise RunError(f"{path}: can't be read as JSON: {error}") from error
    if not isinstance(content, dict):
        raise RunError(f"{path}: isn't what `sightbench {command}` writes: not a table of values")
    return content


@contextmanager
def content_of(place: Path, name: str, command: str) -> Iterator[dict[str, Any]]:
    """Yield the JSON that a command wrote, and refuse it where what reads it lacks something.

    Raises
    ------
    RunError
        It isn't there, can't be read, or isn't what the command writes.
    """
    content = read_content(place, name, command)
    try:
        yield content
    except (LookupError, TypeError, AttributeError, ValueError) as error:
        lacks = isinstance(error, KeyError)
        said = f"it lacks {error}" if lacks else " ".join(str(error).split())
        raise RunError(f"{place}: isn't what `sightbench {command}` writes: {said}") from error


def other_bay(content: dict[str, Any], digest: str | None) -> tuple[str, ...]:
    """Say that a result is of another bay file than the map, where both say which."""
    bay = content.get("bay")
    theirs = content.get("digest") or content.get("bay_digest")
    if theirs is None and isinstance(bay, dict):
        theirs = bay.get("digest")
    if theirs is None or digest is None or theirs == digest:
        return ()
    return (
        "Attention: this was computed for another bay file, or another state of it, than the map.",
    )


def source_words(place: Path, content: dict[str, Any]) -> str:
    """Say where a section's numbers are from."""
    command = content.get("command")
    made = f", made by: {command}" if isinstance(command, str) else ""
    return f"From {place}{made}"


def picture_beside(place: Path, name: str, alt: str) -> tuple[StaticFigure, ...]:
    """Return the picture that a command wrote beside its JSON; nothing where there is none."""
    path = (place.parent if place.is_file() else place) / name
    if not path.is_file():
        return ()
    try:
        with Image.open(path) as picture:
            url = picture_url(picture)
    except (OSError, ValueError) as error:
        raise RunError(f"{path}: can't be read as a picture: {error}") from error
    return (StaticFigure(path.stem, url, alt),)
