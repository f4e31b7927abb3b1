"""`sightbench book`: one folder for one bay, how far it is and what comes next."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bench.assets import asset
from bench.cli.options import option, parse_local
from bench.cli.origin import origin_of
from bench.cli.saying import say
from bench.errors import ConfigError
from bench.files import make_directory, settle, write_atomically

DEFAULT_BOOK = Path("sightbench-book")
NEGATIVE = 1


def command(
    book: Annotated[
        Path | None,
        typer.Argument(
            metavar="DIR",
            parser=parse_local,
            help="The book's folder.",
            show_default=f"{DEFAULT_BOOK}, started with the training workshop where it is missing",
        ),
    ] = None,
    bay: Annotated[
        Path | None,
        option(
            "BAY.toml",
            "The bay file, where it isn't in the folder; with --new, the one to start from.",
            "bay.toml in the folder",
        ),
    ] = None,
    new: Annotated[
        bool,
        typer.Option("--new", help="Start a book: a folder with a commented bay file to edit."),
    ] = False,
    out: Annotated[
        Path | None,
        option(
            "DIR",
            "Write the state there too, book.txt and book.json.",
            "it is printed alone",
            parser=parse_local,
        ),
    ] = None,
) -> int:
    """Say how far a bay is from first idea to hand-over, and print the next command.

    A book is a folder of plain files: a bay file, and whatever commands wrote below it. Nothing
    else is kept, so that it can be copied, mailed and put under version control. Results are
    found by what they say of themselves, wherever below the folder they lie; for each stage the
    latest one counts, and earlier ones are named. The commands that are printed carry the --out
    that belongs there; one for a result that is there already names a new folder.

    The stages: bay file checked, cameras known, sited, sheets printed, built and measured, aimed,
    registered, level, proven, wheels tried, budget from what was measured, report to hand over.
    A stage is done; out of date, since the bay file, a camera or a result that it stands on
    changed; speaks against the bay, with what failed; rehearsed only, from invented
    measurements; or open. 'sightbench report DIR' writes the book as one page to hand over.

    Foreign, damaged and half-written files are named, one line each, and left alone.

    Exit code 1 says that a stage speaks against the bay or is out of date.

    \b
    Examples:
      sightbench book my-bay --new         a folder with a bay file to edit
      sightbench book my-bay               how far it is, what comes next
      sightbench book my-bay --out state   the same as book.txt and book.json
      sightbench report my-bay             one page to hand over
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    # the rooms behind every stage take a second to load
    from bench.book.book import read_book
    from bench.book.result import BOOK
    from bench.book.words import book_value, book_words
    from bench.envelope import write_result

    folder = DEFAULT_BOOK if book is None else book
    if new or (book is None and not folder.exists()):
        _start(folder, bay)
        bay = None
    found = read_book(folder, bay)
    lines = book_words(found)
    say(lines)
    if out is not None:
        make_directory(out)
        text, kept = out / "book.txt", out / BOOK.file
        write_atomically(text, ("\n".join(lines) + "\n").encode(errors="backslashreplace"))
        write_result(kept, BOOK, book_value(found), origin_of(found.files.asked.bay))
        typer.echo(f"Wrote {text} and {kept}.")
    return NEGATIVE if found.against else 0


def _start(folder: Path, bay: Path | None) -> None:
    """Write a book's bay file; nothing that is there is overwritten."""
    from bench.scene.load import SHIPPED_BAY

    path = folder / "bay.toml"
    if path.exists():
        raise ConfigError(f"--new: {path} exists, and is never overwritten")
    if bay is None:
        content = asset(SHIPPED_BAY).read_bytes()
    else:
        from bench.scene.load import load_bay
        from bench.strict import toml_text

        load_bay(bay)
        content = toml_text(bay).encode()
    make_directory(folder)
    write_atomically(path, content)
    settle()  # it is read again
    typer.echo(f"Wrote {path}: edit it, it says how.")
