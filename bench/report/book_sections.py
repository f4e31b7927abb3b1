"""Sections of a bay book's report: what each stage's result says, with its pictures."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from bench.book.book import Book
from bench.book.measuring import LENGTH, MOVED, REPEAT, proof_holds
from bench.book.shelf import Leaf
from bench.book.standing import STATE_WORDS, Standing, calibrations
from bench.budget.result import BUDGET
from bench.errors import BenchError
from bench.registration.level_result import LEVEL
from bench.registration.result import REGISTRATION
from bench.report import words as map_words
from bench.report.other_runs import (
    budget_section,
    level_section,
    registration_section,
    siting_section,
    wheels_section,
)
from bench.report.pictures import StaticFigure
from bench.report.run import read_map
from bench.report.section import Section, Table, picture_beside
from bench.setting_out.as_built_output import AS_BUILT
from bench.siting.aim import AIM
from bench.siting.result import SITING
from bench.survey.run_file import SURVEY
from bench.units import figures, measured
from bench.wheels.result import WHEELS

MOST_ROWS = 40
MOST_CHECKS = 12  # limits of a bay as built, the nearest first
MOST_MAPS = 3


def book_sections(book: Book) -> tuple[Section, ...]:
    """Return a section for each part of a book that has a result.

    What can't be shown is a sentence in its section: a book is handed over with what it has.
    """
    found = [_cameras(book)] if calibrations(book.shelf) else []
    makers: tuple[tuple[str, str, str, Callable[[Book, Leaf], Section]], ...] = (
        (SITING.name, "sited", "Siting", _siting),
        (AS_BUILT.name, "built", "As built", _as_built),
        (AIM.name, "aimed", "Aim", _aim),
        (REGISTRATION.name, "registered", "Registration", _result(registration_section)),
        (LEVEL.name, "level", "Level", _result(level_section)),
        (LENGTH, "proven", "Proof: a known length", _length),
        (REPEAT, "proven", "Proof: the same reading again", _repeat),
        (MOVED, "proven", "Proof: has a tower moved?", _moved),
        (WHEELS.name, "wheels", "Wheels", _wheels),
        (BUDGET.name, "budget", "Uncertainty budget", _result(budget_section)),
    )
    standings = {one.name: one for one in book.standings}
    for kind, stage, title, make in makers:
        leaf = latest(book, kind, standings[stage])
        if leaf is None:
            continue
        try:
            section = make(book, leaf)
        except (BenchError, LookupError, TypeError, ValueError, AttributeError) as error:
            section = Section(kind, title, (f"Can't be shown: {_line(error)}.",))
        # one of several checks speaks for itself
        told, notes = ((), ()) if stage == "proven" else attention(standings[stage])
        found.append(
            replace(
                section,
                name=kind.replace(" ", "-"),
                title=title,
                lead=(*told, *section.lead, *notes),
                source=f"From {leaf.path}, made by: {leaf.head.command}",
            )
        )
    return (*found, *_maps(book))


def latest(book: Book, kind: str, standing: Standing) -> Leaf | None:
    """Return the result that a stage stands on, else the latest of its kind."""
    leaves = book.shelf.of(kind)
    named = [leaf for leaf in leaves if leaf.path in standing.sources]
    return next(iter((*named, *leaves)), None)


def attention(standing: Standing) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return what a reader must know of a section before its numbers, and what after them."""
    notes = tuple(f"{note[0].upper()}{note[1:]}." for note in standing.notes)
    if standing.state == "done":
        return (), notes
    return (f"Attention, {STATE_WORDS[standing.state]}: {standing.words}.",), notes


def _line(error: Exception) -> str:
    return " ".join(str(error).split()) or type(error).__name__


def _result(make: Callable[[Path, None], Section]) -> Callable[[Book, Leaf], Section]:
    """Return the maker of a section that reads its file itself."""
    return lambda book, leaf: make(book.shelf.root / leaf.path, None)


def _cameras(book: Book) -> Section:
    standing = next(one for one in book.standings if one.name == "camera")
    rows: list[tuple[str, ...]] = []
    covered: list[StaticFigure] = []
    for side, leaf in sorted(calibrations(book.shelf).items()):
        camera = leaf.value["camera"]
        rows.append(
            (
                f"{side} tower",
                f"{camera['width']} × {camera['height']} px",
                f"{camera['fx']:.1f} px, {camera['fy']:.1f} px",
                f"({camera['cx']:.1f}, {camera['cy']:.1f}) px",
                f"{leaf.value['sigma_px']:.3f} px",
                str(leaf.value["pictures"]),
                str(leaf.path),
            )
        )
        covered += picture_beside(
            book.shelf.root / leaf.path,
            "calibration_coverage.png",
            f"How the board's points cover the {side} camera's frame.",
        )
    columns = (
        "camera",
        "picture",
        "focal length",
        "principal point",
        "scatter of corners",
        "pictures",
        "file",
    )
    return Section(
        "cameras",
        "Cameras",
        (f"{standing.words}.", *standing.notes),
        (Table("Calibrated cameras", columns, tuple(rows)),),
        tuple(covered),
    )


def _siting(book: Book, leaf: Leaf) -> Section:
    place = book.shelf.root / leaf.path
    section = siting_section(place, None)
    if book.shelf.of(AIM.name):  # shows the same of the bay as built
        return section
    towers = _tower_pictures(place, "as planned")
    return replace(section, figures=(*section.figures, *towers))


def _tower_pictures(place: Path, how: str) -> tuple[StaticFigure, ...]:
    found: list[StaticFigure] = []
    for path in sorted(place.parent.glob("aim-*.png")):
        tower = path.stem.removeprefix("aim-")
        alt = f"Where targets appear in the {tower} tower's picture, {how}."
        found += picture_beside(place, path.name, alt)
    return tuple(found)


def _as_built(book: Book, leaf: Leaf) -> Section:
    value = leaf.value
    off = Table(
        "Where the towers stand, planned and measured",
        ("tower", "what", "planned", "as built", "off"),
        tuple(
            (
                row["tower"],
                row["what"],
                _signed(row["plan"], row["unit"]),
                _signed(row["as_built"], row["unit"]),
                _signed(row["off"], row["unit"]),
            )
            for row in value["towers"]
        ),
    )
    checks = Table(
        "Limits, the nearest first",
        ("limit", "room as built", "as planned", "unit", "verdict"),
        tuple(
            (
                f"{row['limit']}, {row['where']}",
                " ± ".join(measured(row["room"], 2.0 * (row["u"] or 0.0))),
                figures(row["planned"], 3),
                row["unit"],
                row["state"],
            )
            for row in value["checks"][:MOST_CHECKS]
        ),
    )
    lead = value.get("words") or [f"The bay as built: {value['verdict']}."]
    return Section("as-built", "As built", tuple(map(str, lead)), (off, checks))


def _signed(value: float | None, unit: str) -> str:
    if value is None:
        return ""
    return f"{value:+.1f} {unit}" if unit == "mm" else f"{value:+.3f} {unit}"


def _aim(book: Book, leaf: Leaf) -> Section:
    value = leaf.value
    rows = value["sightings"]
    lead = [f"All {len(rows)} targets hold." if value["holds"] else "Targets fail:"]
    lead += [str(words) for words in value["failures"][:MOST_CHECKS]]
    lead += [f"Predicted from: {value['basis']}.", *_rule(value)]
    table = Table(
        "Every target in its tower's picture",
        ("view", "range", "tilt", "margin, plate widths", "toe", "camber", "verdict"),
        tuple(
            (
                f"{r['tower']} tower: {r['vehicle']} {r['wheel']} at {r['station']}",
                f"{figures(r['range_m'], 3)} m",
                f"{figures(r['tilt_deg'], 3)} deg",
                figures(r["margin_widths"]),
                f"{figures(r['expanded_toe_deg'])} deg",
                f"{figures(r['expanded_camber_deg'])} deg",
                str(r["verdict"]),
            )
            for r in rows[:MOST_ROWS]
        ),
    )
    pictures = _tower_pictures(book.shelf.root / leaf.path, "as built")
    return Section("aim", "Aim", tuple(lead), (table,), pictures)


def _rule(value: dict[str, Any]) -> Iterable[str]:
    rule = value.get("decision_rule")
    return (f"Decision rule: {rule}.",) if rule else ()


def _verdict(leaf: Leaf) -> str:
    return "This check speaks for the bay." if proof_holds(leaf) else "This check speaks against."


def _length(book: Book, leaf: Leaf) -> Section:
    rows = tuple(
        (
            str(row["place"]),
            str(row["readings"]),
            f"{row['error_mm']:+.3f} mm",
            f"{row['expanded_mm']:.3f} mm",
        )
        for row in leaf.value["table"]
    )
    columns = ("place", "readings", "error", "expanded uncertainty, k = 2")
    lead = (_verdict(leaf), *map(str, leaf.value.get("words", ())), *_rule(leaf.value))
    return Section("length", "", lead, (Table("Errors of a known length", columns, rows),))


def _repeat(book: Book, leaf: Leaf) -> Section:
    rows = tuple(
        (
            f"{row['quantity']}: {row['component']}",
            f"{row['sigma_deg']:.4f} deg",
            f"{row['sigma_low_deg']:.4f} to {row['sigma_high_deg']:.4f} deg",
        )
        for row in leaf.value["table"]
    )
    lead = [_verdict(leaf)]
    lead += [f"{leaf.value[name]['words']}." for name in ("toe", "camber")]
    table = Table(
        "What scatters (standard deviations)", ("component", "size", "interval, 95 %"), rows
    )
    return Section("repeat", "", (*lead, *_rule(leaf.value)), (table,))


def _moved(book: Book, leaf: Leaf) -> Section:
    said = [str(line) for line in leaf.value.get("words", ()) if str(line).endswith(".")]
    lead = (_verdict(leaf), *said, *_rule(leaf.value))
    rows = tuple(
        (str(row["tower"]), "moved" if row["moved"] else "shows no move", f"{row['p_value']:.2g}")
        for row in leaf.value["table"]
    )
    return Section("moved", "", lead, (Table("Towers", ("tower", "verdict", "p"), rows),))


def _wheels(book: Book, leaf: Leaf) -> Section:
    section = wheels_section(book.shelf.root / leaf.path, None)
    value = leaf.value
    said = [f"{words[0].upper()}{words[1:]}." for words in map(str, value.get("decisions", ()))]
    against = [f"Contradiction: {words}." for words in value.get("contradictions", ())]
    return replace(section, lead=(*against, *section.lead, *said, *_rule(value)))


def _maps(book: Book) -> Iterable[Section]:
    """Return what finished maps in the book say, in sentences; each has a report of its own."""
    for number, leaf in enumerate(book.shelf.of(SURVEY.name)[:MOST_MAPS], start=1):
        place = book.shelf.root / leaf.folder
        try:
            run = read_map(place)
            lead = (map_words.headline(run), *map_words.summary(run))
            alt = "Rotation error over range and tilt."
            figure = picture_beside(place, "map_rotation.png", alt)
        except (BenchError, LookupError, TypeError, ValueError) as error:
            lead, figure = (f"Can't be shown: {_line(error)}.",), ()
        yield Section(
            f"map-{number}",
            f"Map: {leaf.folder}",
            (*lead, f"In full: sightbench report {leaf.folder}, from the book's folder."),
            (),
            figure,
            f"From {leaf.folder}, made by: {leaf.head.command}",
        )
