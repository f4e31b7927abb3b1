"""A bay book as one page to hand over: HTML, and the same for paper."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from bench.book.book import Book
from bench.book.shelf import Leaf
from bench.book.standing import STATE_WORDS
from bench.book.words import headline, next_words
from bench.conformity import rule_words
from bench.pages import rendered
from bench.report.book_sections import book_sections
from bench.report.section import Table
from bench.setting_out.cautions import CAUTIONS
from bench.units import format_angle

# Who signs; the trade's usual ones, common practice, no source. Blank lines are for more.
ROLES = ("Planned by", "Built by", "Measured by", "Checked by", "Accepted by", "")
SIGN_COLUMNS = ("", "Name, company", "Date", "Signature")
OPENING = (
    "This book says what was planned, built, measured and found. It decides nothing about how "
    "towers are anchored, wired or lifted: local codes, the equipment makers' instructions and "
    "licensed trades do, and where they differ from it they hold."
)


def book_html(book: Book, command: str) -> str:
    """Return the page for a screen: one file that asks for nothing else."""
    return _render(book, command, paper=False)


def book_paper_html(book: Book, command: str) -> str:
    """Return the page for paper."""
    return _render(book, command, paper=True)


def _render(book: Book, command: str, *, paper: bool) -> str:
    # the page can't say of itself whether it was written
    book = replace(book, standings=tuple(x for x in book.standings if x.name != "report"))
    sections = book_sections(book)
    content: dict[str, Any] = {
        "title": f"Bay book: {book.name}",
        "headline": headline(book),
        "opening": OPENING,
        "following": next_words(book.next),
        "stages": stage_table(book),
        "contradictions": contradictions(book),
        "rules": rule_sentences(book),
        "rule_table": rule_table(book),
        "sections": sections,
        "cautions": CAUTIONS,
        "roles": ROLES,
        "sign_columns": SIGN_COLUMNS,
        "results": result_table(book),
        "commands": list(dict.fromkeys(leaf.head.command for leaf in in_order(book))),
        "odd": book.shelf.odd,
        "provenance": provenance(book, command),
        "digest": book.digest,
    }
    return rendered("book.html.j2", content, paper=paper)


def stage_table(book: Book) -> Table:
    """Return a row a stage."""
    rows = tuple(
        (
            f"{number}. {one.title}",
            STATE_WORDS[one.state],
            one.words,
            ", ".join(map(str, one.sources)),
        )
        for number, one in enumerate(book.standings, start=1)
    )
    return Table("Stages of the bay", ("stage", "state", "what was found", "files"), rows)


def contradictions(book: Book) -> list[str]:
    """Return what speaks against the bay or is out of date, with what to do."""
    return [
        f"{one.title}: {one.words}{f'; to do: {one.todo}' if one.todo else ''}"
        for one in book.against
    ]


def rule_sentences(book: Book) -> list[str]:
    """Say by which rule numbers are held against tolerances, and which those are."""
    bay = book.files.latest.bay
    if bay is None:
        return ["The bay file can't be read, so that no rule is known."]
    held = bay.tolerance
    limits = ", ".join(
        f"{name} {format_angle(getattr(held, name))}" for name in ("toe", "camber", "thrust")
    )
    return [
        f"The bay file's rule is: {rule_words(held.rule, held.confidence)}.",
        f"Tolerances of expanded uncertainties (k = 2): {limits}.",
        "Such a tolerance is one on an error expected to be 0, whose guard band is the expanded "
        "uncertainty itself. A result by another rule names it below.",
    ]


def rule_table(book: Book) -> Table:
    """Return the decision rule of each result that was held against something."""
    rows = tuple(
        (str(leaf.path), leaf.head.kind, str(leaf.value["decision_rule"]))
        for leaf in sorted(book.shelf.leaves, key=lambda leaf: str(leaf.path))
        if leaf.value.get("decision_rule")
    )
    return Table("Decision rules of the results", ("file", "result", "rule"), rows)


def result_table(book: Book) -> Table:
    """Return every result of the book: file, when it was made, by which version, its digest."""
    rows = tuple(
        (
            str(leaf.path),
            leaf.head.kind,
            leaf.head.ended[:16].replace("T", " "),
            leaf.head.version,
            leaf.head.value_digest,
        )
        for leaf in in_order(book)
    )
    columns = ("file", "result", "made", "version", "digest")
    return Table("Results in the order in which they were made", columns, rows)


def in_order(book: Book) -> list[Leaf]:
    """Return the results in the order in which they were made."""
    return sorted(book.shelf.leaves, key=lambda leaf: (leaf.head.ended, str(leaf.path)))


def provenance(book: Book, command: str) -> list[tuple[str, str]]:
    """Return what the page was made from."""
    files = book.files
    named = (("bay file", files.asked), ("as sited", files.sited), ("as built", files.built))
    found = [
        (name, f"{one.path}, digest {one.digest[:16] or 'unknown: it is damaged'}")
        for name, one in named
        if one is not None
    ]
    return [*found, ("state of the book", book.digest), ("made by", command)]
