"""A section of a report: sentences, tables, figures, and where they are from."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from PIL import Image

from bench.envelope import Result, refuse_other
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


def made_for(result: Result[Any], run: Result[Any] | None) -> tuple[str, ...]:
    """Refuse a result that was made for another camera or target than the map, or say otherwise.

    Without a map there is nothing to compare.

    Returns
    -------
    tuple of str
        That it is of another state of the bay file; usually nothing.

    Raises
    ------
    ConfigError
        Names what differs.
    """
    words = []
    if run is not None:
        refuse_other(result, run.parts, f"the map {run.path.parent}")
    if (
        run is not None
        and result.bay is not None
        and run.bay is not None
        and result.bay.digest != run.bay.digest
    ):
        words.append(
            "Attention: this was computed for another bay file, or another state of it, than "
            f"the map: {result.bay.name}, {result.bay.file}."
        )
    return tuple(words)


def source_words(place: Path, result: Result[Any]) -> str:
    """Say where a section's numbers are from."""
    return f"From {place}, made by: {result.command}" if result.command else f"From {place}"


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
