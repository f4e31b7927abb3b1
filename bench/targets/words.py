"""Marker dictionaries and printed sheets in words."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from bench.targets.dictionary import dictionaries, outside_dictionaries
from bench.targets.page import Sheet
from bench.targets.target import Target


def dictionary_lines() -> Iterator[str]:
    """Yield a table of the marker dictionaries, line by line."""
    yield (f"{'name':<24}{'markers':>8}  {'cells':<8}also called")
    for book in (*dictionaries(), *outside_dictionaries()):
        cells = f"{book.width} x {book.width}"
        yield (f"{book.name:<24}{book.size:>8}  {cells:<8}{', '.join(book.aliases)}")
    yield ("Cells count the black frame, one cell wide. Ids run from 0 to markers - 1.")
    outside = ", ".join(f"{b.name} {b.cells}" for b in outside_dictionaries())
    yield (f"Families with data outside the border have corners, and --size, within: {outside}.")


def sheet_words(target: Target, sheet: Sheet, files: tuple[Path, ...]) -> Iterator[str]:
    """Yield what was printed and where to, line by line."""
    yield (f"{target.name}: {sheet.paper}")
    for file in files:
        yield (f"  {file}")
