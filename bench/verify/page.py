"""The HTML page: one file, pictures inside, readable without a network."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from bench.files import make_directory, write_atomically
from bench.pages import data_url, rendered
from bench.verify.junit import junit_xml
from bench.verify.summary import group_table, lead_lines, method_words, test_tables, worst_words
from bench.verify.verdict import Report
from bench.verify.worst import WorstCase

HTML_FILE, JUNIT_FILE = "verdict.html", "junit.xml"


def html(report: Report, worst: Sequence[WorstCase]) -> str:
    """Return the page."""
    content = {
        "title": report.headline,
        "lead": lead_lines(report),
        "groups": group_table(report),
        "worst": [
            {
                "words": worst_words(case),
                "pictures": [
                    {"words": shown.words, "url": data_url("image/png", shown.png)}
                    for shown in case.pictures
                ],
            }
            for case in worst
        ],
        "method": method_words(report),
        "tests": test_tables(report),
    }
    return rendered("verdict.html.j2", content)


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
