"""`sightbench report`: one HTML file, and a PDF, that show what a map found."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bench.cli.given import command_line
from bench.cli.options import QuietOption, parse_place
from bench.cli.progress import progress_bar
from bench.errors import RunError
from bench.files import make_directory, settle, write_atomically

DEFAULT_RUN = Path("sightbench-map")
NAME = "report.html"
SUFFIXES = (".html", ".htm")


def _other(what: str, file: str) -> object:
    return typer.Option(
        metavar="DIR", help=f"Add {what}: a directory with {file}.", show_default=False
    )


def command(
    run: Annotated[
        Path,
        typer.Argument(
            metavar="RUN",
            parser=parse_place,
            help="The directory of a finished `sightbench map`.",
        ),
    ] = DEFAULT_RUN,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR|FILE",
            help="Where to write: a directory for report.html, or a name that ends in .html. The "
            "PDF goes beside it.",
            show_default="the run's directory",
        ),
    ] = None,
    bay: Annotated[
        Path | None,
        typer.Option(
            metavar="BAY.toml",
            help="The bay file of the run, which its pictures are rendered from.",
            show_default="found by its name and digest",
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

    \b
      sightbench map && sightbench report
      sightbench report sightbench-map --siting sightbench-site --budget sightbench-budget
      sightbench report my-run --bay my-bay.toml --out my-report.html --no-pdf
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    # Bokeh and matplotlib take seconds to load, which `--help` needn't cost
    from bench.report.make import Others, report_of, sections_of
    from bench.report.page import html, paper_html
    from bench.report.pdf import pdf as pdf_of
    from bench.report.run import read_map

    found = read_map(run)
    others = Others(siting, budget, registration, level, wheels, verification)
    sections = sections_of(others, found)
    path = _page_path(out, run)
    with progress_bar("pictures", quiet) as progress:
        report = report_of(found, sections, command_line(), bay, pictures, progress)
    content = html(report).encode()
    make_directory(path.parent)
    write_atomically(path, content)
    typer.echo(f"Wrote {path}, {len(content) / 1e6:.1f} MB.")
    if pdf:
        with progress_bar("PDF", quiet):
            try:
                printed = pdf_of(paper_html(report))
            except RunError as error:
                settle()  # the page is whole without it
                raise RunError(f"{path} is written, but {error}") from error
        paper = path.with_suffix(".pdf")
        write_atomically(paper, printed)
        typer.echo(f"Wrote {paper}, {len(printed) / 1e6:.1f} MB.")
    return 0


def _page_path(out: Path | None, run: Path) -> Path:
    if out is None:
        return run / NAME
    if out.suffix.lower() in SUFFIXES and not out.is_dir():
        return out
    if out.is_file():
        raise RunError(f"{out}: is a file that doesn't end in .html; nothing in it was changed")
    return out / NAME
