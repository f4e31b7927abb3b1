"""The HTML page: one file, pictures inside, readable without a network."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from bench.files import make_directory, write_atomically
from bench.pages import data_url, rendered
from bench.verify.junit import junit_xml
from bench.verify.summary import (
    Table,
    group_table,
    lead_lines,
    method_words,
    test_tables,
    worst_words,
)
from bench.verify.verdict import Report
from bench.verify.worst import WorstCase

HTML_FILE, JUNIT_FILE = "verdict.html", "junit.xml"


def html(report: Report, worst: Sequence[WorstCase]) -> str:
    """Return the page."""
    verdict, reason = report.said
    content = {
        "title": report.headline,
        "kind": report.verdict.name.lower(),
        "verdict": verdict,
        "reason": _unbroken(reason),
        "compared": report.compared,
        "lead": [_unbroken(line) for line in lead_lines(report)],
        "groups": _whole(group_table(report)),
        "worst": [
            {
                "words": _unbroken(worst_words(case)),
                "pictures": [
                    {"words": shown.words, "url": data_url("image/png", shown.png)}
                    for shown in case.pictures
                ],
            }
            for case in worst
        ],
        "method": method_words(report),
        "tests": [_whole(table) for table in test_tables(report)],
    }
    return rendered("verdict.html.j2", content)


def _unbroken(text: str) -> str:
    """Return a text whose numbers stay on a line with their units."""
    return re.sub(r"(?<=\d) (?=(?:%|px|deg|mm)(?!\w))", "\u00a0", text)


def _whole(table: Table) -> Table:
    return replace(table, rows=tuple(tuple(map(_unbroken, row)) for row in table.rows))


def write_report(
    directory: Path,
    report: Report,
    worst: Sequence[WorstCase],
    started: str = "",
    seconds: float = 0.0,
) -> list[Path]:
    """Write the page and JUnit XML, and return the files.

    `started` and `seconds` are told by the latter, see `junit_xml`.

    Raises
    ------
    RunError
        One can't be written.
    """
    make_directory(directory)
    page, junit = directory / HTML_FILE, directory / JUNIT_FILE
    write_atomically(page, html(report, worst).encode())
    write_atomically(junit, junit_xml(report, started, seconds))
    return [page, junit]
