"""The digest of a book's state, by which a report says what it was made from."""

from __future__ import annotations

import re
from pathlib import Path

from bench.book.bay_files import BayFiles
from bench.book.shelf import Shelf
from bench.digest import content_digest

REPORT_FILE = "report.html"
# How a report names the state that it shows; `assets/report/book.html.j2` writes it.
MARK = re.compile(r'<meta name="sightbench-book" content="([0-9a-f]{16})">')
HEAD_BYTES = 20_000  # of a page, where the mark stands


def book_digest(shelf: Shelf, files: BayFiles) -> str:
    """Return the digest of all results and bay files, wherever the folder lies."""
    results = sorted((leaf.path.as_posix(), leaf.head.value_digest) for leaf in shelf.leaves)
    bays = [one.digest for one in (files.asked, files.sited, files.built) if one is not None]
    return content_digest([results, bays])


def report_digest(path: Path) -> str | None:
    """Return the digest of the state that a report shows; None where there is no such report."""
    try:
        with path.open("rb") as page:
            head = page.read(HEAD_BYTES)
    except OSError:
        return None
    found = MARK.search(head.decode(errors="replace"))
    return None if found is None else found[1]
