"""The HTML page: one file, pictures inside, readable without a network."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from html import escape
from pathlib import Path

from bench import __version__
from bench.errors import RunError
from bench.files import make_directory, remove_files, write_atomically
from bench.verify.junit import junit_xml
from bench.verify.summary import (
    PICTURES,
    Table,
    group_table,
    lead_lines,
    markdown,
    method_words,
    picture_name,
    test_tables,
    worst_words,
)
from bench.verify.verdict import Report
from bench.verify.worst import WorstCase

MARKDOWN_FILE, HTML_FILE, JUNIT_FILE = "verdict.md", "verdict.html", "junit.xml"

STYLE = """
body { font: 16px/1.5 "DejaVu Sans", system-ui, sans-serif; color: #1a1a1a; max-width: 72rem;
  margin: 2rem auto; padding: 0 1rem; }
h1 { font-size: 1.35rem; border-left: .4rem solid #1a1a1a; padding-left: .8rem; }
h2 { font-size: 1.15rem; margin-top: 2rem; }
table { border-collapse: collapse; width: 100%; font-size: .875rem; }
th, td { text-align: left; padding: .3rem .6rem; border-bottom: 1px solid #c8c8c8;
  vertical-align: top; }
th { border-bottom: 2px solid #595959; }
tr.worse td { font-weight: bold; }
figure { margin: 1rem 0 2rem; }
figure div { display: flex; gap: 1rem; flex-wrap: wrap; }
figure img { display: block; }
figcaption, .small { color: #595959; font-size: .875rem; }
summary { cursor: pointer; font-weight: bold; padding: .3rem 0; }
"""


def html(report: Report, worst: Sequence[WorstCase]) -> str:
    """Return the page."""
    lead = "".join(f"<li>{escape(line)}</li>" for line in lead_lines(report))
    parts = [
        f"<h1>{escape(report.headline)}</h1>",
        f"<ul>{lead}</ul>",
        _table(group_table(report)),
    ]
    if worst:
        parts.append("<h2>Worst cases, before and now</h2>")
        parts += map(_figure, worst)
    parts.append(f"<h2>How it was judged</h2><p>{escape(method_words(report))}</p>")
    parts.append("<h2>All tests</h2>")
    for table in test_tables(report):
        heading = escape(table.heading)
        parts.append(f"<details><summary>{heading}</summary>{_table(table)}</details>")
    parts.append(f'<p class="small">sightbench {escape(__version__)}</p>')
    body = "\n".join(parts)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(report.headline)}</title><style>{STYLE}</style></head>\n"
        f"<body>\n{body}\n</body></html>\n"
    )


def _table(table: Table) -> str:
    head = "".join(f"<th>{escape(column)}</th>" for column in table.columns)
    rows = "".join(
        f"<tr{_mark(row)}>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>"
        for row in table.rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


def _mark(row: tuple[str, ...]) -> str:
    return ' class="worse"' if row[-1] == "worse" else ""


def _figure(case: WorstCase) -> str:
    images = "".join(
        f'<img alt="{side}" src="data:image/png;base64,{base64.b64encode(png).decode()}">'
        for side, png in (("before", case.old_png), ("now", case.new_png))
    )
    caption = escape(worst_words(case))
    return f"<figure><div>{images}</div><figcaption>{caption}</figcaption></figure>"


def write_report(directory: Path, report: Report, worst: Sequence[WorstCase]) -> list[Path]:
    """Write the pages, their pictures and JUnit XML, and return the files.

    Raises
    ------
    RunError
        One can't be written.
    """
    files = {
        MARKDOWN_FILE: markdown(report, worst).encode(),
        HTML_FILE: html(report, worst).encode(),
        JUNIT_FILE: junit_xml(report),
    }
    try:
        make_directory(directory / PICTURES)
        remove_files(list((directory / PICTURES).glob("*-*.png")))
    except OSError as error:
        raise RunError(f"{directory}: can't be written: {error.strerror}") from error
    for case in worst:
        write_atomically(directory / PICTURES / picture_name(case, "before"), case.old_png)
        write_atomically(directory / PICTURES / picture_name(case, "now"), case.new_png)
    for name, content in files.items():
        write_atomically(directory / name, content)
    return [directory / name for name in files]
