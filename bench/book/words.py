"""A bay book in words, as a table, and as plain values."""

from __future__ import annotations

import shlex
from typing import Any

from bench.book.book import Book
from bench.book.standing import STATE_WORDS, Standing

MOST_ODD = 8


def book_words(book: Book) -> list[str]:
    """Return the answer first, then a line a stage, what contradicts, and what comes next."""
    lines = [headline(book), ""]
    titles = [f"{number}. {one.title}" for number, one in enumerate(book.standings, start=1)]
    wide, state = max(map(len, titles)), max(map(len, STATE_WORDS.values()))
    for title, one in zip(titles, book.standings, strict=True):
        said = f"{title.ljust(wide)}  {STATE_WORDS[one.state].ljust(state)}  {one.words}"
        lines.append(said.rstrip())
        lines += [f"{' ' * wide}  {note}" for note in one.notes]
    if book.shelf.odd:
        lines += ["", "Also in the folder, left alone:"]
        lines += [f"  {line}" for line in book.shelf.odd[:MOST_ODD]]
        if len(book.shelf.odd) > MOST_ODD:
            lines.append(f"  and {len(book.shelf.odd) - MOST_ODD} more, see book.json")
    return [*lines, "", *next_words(book.next)]


def headline(book: Book) -> str:
    """Return how far the bay is, in one sentence."""
    done = sum(one.state == "done" for one in book.standings)
    against = [one.title.lower() for one in book.standings if one.state == "fails"]
    stale = [one.title.lower() for one in book.standings if one.state == "stale"]
    said = f"{book.name}: {done} of {len(book.standings)} stages done"
    if against:
        said += f"; speaks against it: {', '.join(against)}"
    if stale:
        said += f"; out of date: {', '.join(stale)}"
    return f"{said}."


def next_words(one: Standing | None) -> list[str]:
    """Return what comes next, and the very command."""
    if one is None:
        return ["Nothing is left to do but names and signatures."]
    lines = [f"Next, {one.title.lower()}: {one.todo or 'the command does it'}."]
    return [*lines, f"  {command_words(one)}"] if one.command else lines


def command_words(one: Standing) -> str:
    """Return a stage's command as a shell takes it."""
    return shlex.join(one.command)


def book_value(book: Book) -> dict[str, Any]:
    """Return a book as plain values."""
    files = book.files
    named = {"asked": files.asked, "sited": files.sited, "built": files.built}
    following = book.next
    return {
        "name": book.name,
        "bay_files": {key: str(one.path) for key, one in named.items() if one is not None},
        "stages": [
            {
                "name": one.name,
                "title": one.title,
                "state": one.state,
                "words": one.words,
                "sources": [str(path) for path in one.sources],
                "notes": list(one.notes),
                "todo": one.todo,
                "command": list(one.command),
            }
            for one in book.standings
        ],
        "next": None if following is None else following.name,
        "next_command": None if following is None else command_words(following),
        "odd": list(book.shelf.odd),
        "book_digest": book.digest,
    }
