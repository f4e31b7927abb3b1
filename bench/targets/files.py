"""Printed sheets of targets as files."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path

from bench.files import make_directory, write_atomically
from bench.targets.page import Sheet
from bench.targets.pdf import sheet_pdf
from bench.targets.svg import page_svg


def sheet_stem(sheet: Sheet) -> str:
    """Return what a sheet's files are called, without ending."""
    return re.sub(r"[^a-z0-9_.]+", "-", sheet.name.lower()).strip("-")


def write_sheet(sheet: Sheet, out: Path) -> tuple[Path, ...]:
    """Write a target's sheet, of one page, as PDF and SVG; return the paths.

    Raises
    ------
    RunError
        The directory can't be made, or a file not written.
    """
    stem, (page,) = sheet_stem(sheet), sheet.pages
    files = {
        f"{stem}.pdf": sheet_pdf(sheet),
        f"{stem}.svg": page_svg(page, sheet.name).encode(),
    }
    make_directory(out)
    for name, content in files.items():
        write_atomically(out / name, content)
    return tuple(out / name for name in files)


def write_papers(
    sheet_for: Callable[[str], Sheet],
    stem: str,
    out: Path,
    papers: Sequence[str] = ("a4", "letter"),
) -> list[Path]:
    """Write the sheet that `sheet_for` returns for each paper as PDF; return the paths.

    Raises
    ------
    RunError
        A file can't be written.
    """
    make_directory(out)
    written = []
    for paper in papers:
        written.append(out / f"{stem}-{paper}.pdf")
        write_atomically(written[-1], sheet_pdf(sheet_for(paper)))
    return written
