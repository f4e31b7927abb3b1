"""`sightbench report`: one HTML file, and a PDF, of what a map found or of a bay book."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bench.cli.given import command_line
from bench.cli.options import QuietOption, option, parse_place
from bench.cli.progress import progress_bar
from bench.errors import ConfigError, RunError
from bench.files import make_directory, settle, write_atomically

DEFAULT_RUN = Path("sightbench-map")
NAME = "report.html"
NEGATIVE = 1
SUFFIXES = (".html", ".htm")


def _other(what: str, file: str) -> object:
    return option("DIR", f"Add {what}: a directory with {file}.")


def command(
    run: Annotated[
        Path,
        typer.Argument(
            metavar="RUN|BOOK",
            parser=parse_place,
            help="The directory of a finished `sightbench map`, or of a `sightbench book`.",
        ),
    ] = DEFAULT_RUN,
    out: Annotated[
        Path | None,
        option(
            "DIR|FILE",
            "Where to write: a directory for report.html, or a name that ends in .html. The "
            "PDF goes beside it.",
            "the run's directory",
        ),
    ] = None,
    bay: Annotated[
        Path | None,
        option(
            "BAY.toml",
            "The bay file of the run, which its pictures are rendered from.",
            "found by its name and digest",
        ),
    ] = None,
    siting: Annotated[Path | None, _other("the siting", "site.json")] = None,
    budget: Annotated[Path | None, _other("the uncertainty budget", "budget.json")] = None,
    registration: Annotated[Path | None, _other("the registration", "registration.json")] = None,
    level: Annotated[Path | None, _other("the level", "level.json")] = None,
    wheels: Annotated[Path | None, _other("measured wheels", "wheels.json")] = None,
    verification: Annotated[Path | None, _other("a comparison of pipelines", "junit.xml")] = None,
    pictures: Annotated[
        bool, typer.Option(help="Render a typical and a worst case of each cell again.")
    ] = True,
    pdf: Annotated[bool, typer.Option(help="Write a PDF of the same content too.")] = True,
    quiet: QuietOption = False,
) -> int:
    """Write what a finished map found as one HTML file that needs no network, and as PDF.

    It holds the summary in words, the limits, maps to point at, each cell's numbers with the
    rendered pictures of a typical and a worst case, the pipelines against the bound, method and
    provenance. Results of other commands become sections of their own.

    Of a bay book it makes the page to hand over, whether or not a map was made: every stage with
    what was found, decision rules, siting, as built, aim, registration, level, proofs, wheels and
    budget with their pictures, cautions, and lines for names and signatures. What is missing, out
    of date or speaks against the bay is said first.

    \b
      sightbench map && sightbench report
      sightbench report sightbench-map --siting sightbench-site --budget sightbench-budget
      sightbench report my-run --bay my-bay.toml --out my-report.html --no-pdf
      sightbench report my-bay-book
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    # matplotlib takes seconds to load, which `--help` needn't cost
    from bench.book.book import is_book
    from bench.report.make import Others, report_of, sections_of
    from bench.report.page import html, paper_html
    from bench.report.run import read_map

    others = Others(siting, budget, registration, level, wheels, verification)
    if is_book(run):
        if others != Others():
            raise ConfigError(f"{run}: is a book, which finds its results itself; leave them out")
        return _hand_over(run, out, bay, pdf, quiet)
    found = read_map(run)
    sections = sections_of(others, found)
    path = _page_path(out, run)
    with progress_bar("pictures", quiet) as progress:
        report = report_of(found, sections, command_line(), bay, pictures, progress)
    _write(path, html(report), paper_html(report) if pdf else None, quiet)
    return 0


def _hand_over(folder: Path, out: Path | None, bay: Path | None, pdf: bool, quiet: bool) -> int:
    """Write a book's page; 1 where a stage speaks against the bay or is out of date."""
    from bench.book.book import read_book
    from bench.report.book_page import book_html, book_paper_html

    book = read_book(folder, bay, Path())
    command = command_line()
    paper = book_paper_html(book, command) if pdf else None
    _write(_page_path(out, folder), book_html(book, command), paper, quiet)
    for one in book.standings:
        if one.state not in ("done", "open") and one.name != "report":
            typer.echo(f"{one.title}: {one.words}")
    return NEGATIVE if any(one.name != "report" for one in book.against) else 0


def _write(path: Path, page: str, paper: str | None, quiet: bool) -> None:
    """Write a page, and what is given for paper as PDF beside it."""
    from bench.report.pdf import pdf as pdf_of

    content = page.encode()
    make_directory(path.parent)
    write_atomically(path, content)
    typer.echo(f"Wrote {path}, {len(content) / 1e6:.1f} MB.")
    if paper is not None:
        with progress_bar("PDF", quiet):
            try:
                printed = pdf_of(paper)
            except RunError as error:
                settle()  # the page is whole without it
                raise RunError(f"{path} is written, but {error}") from error
        beside = path.with_suffix(".pdf")
        write_atomically(beside, printed)
        typer.echo(f"Wrote {beside}, {len(printed) / 1e6:.1f} MB.")


def _page_path(out: Path | None, run: Path) -> Path:
    if out is None:
        return run / NAME
    if out.suffix.lower() in SUFFIXES and not out.is_dir():
        return out
    if out.is_file():
        raise RunError(f"{out}: is a file that doesn't end in .html; nothing in it was changed")
    return out / NAME
