"""A bay book's state as a result: book.json."""

from __future__ import annotations

from bench.envelope import Kind
from bench.strict import Section


class StageRow(Section):
    """Where a stage stands; paths are relative to the book."""

    name: str
    title: str
    state: str
    words: str
    sources: list[str]
    notes: list[str]
    todo: str
    command: list[str]


class BookValue(Section):
    """Every stage, what comes next, what lies there besides."""

    name: str
    bay_files: dict[str, str]
    """The bay file as asked, as sited, as built."""
    stages: list[StageRow]
    next: str | None
    next_command: str | None
    odd: list[str]
    """A line each for what is foreign, damaged or half written."""
    book_digest: str


BOOK = Kind("bay book", "book.json", "book", BookValue)
