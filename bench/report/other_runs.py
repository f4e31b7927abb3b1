"""Sections made from what other commands wrote: siting, budget, registration, level, wheels."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from bench.report.cell_facts import figures
from bench.report.section import (
    Section,
    Table,
    content_of,
    other_bay,
    picture_beside,
    source_words,
)

MOST_ROWS = 40


def siting_section(place: Path, digest: str | None) -> Section:
    """Return what `sightbench site` found.

    Raises
    ------
    RunError
        `place` has no site.json, or one that isn't from that command.
    """
    with content_of(place, "site.json", "site") as content:
        return _siting(place, content, digest)


def _siting(place: Path, content: dict[str, Any], digest: str | None) -> Section:
    broken = [c for c in content["constraints"] if not c["holds"]]
    fits = "a feasible layout" if content["feasible"] else "no feasible layout"
    lead = [
        f"{fits.capitalize()}: the worst predicted uncertainty is "
        f"{figures(content['over_tolerance'], 2)} of its tolerance "
        f"({content['basis']}, k = {figures(content['coverage_factor'], 3)}).",
        f"{len(content['constraints']) - len(broken)} of {len(content['constraints'])} "
        "constraints hold.",
        *(f"What limits it: {item['words']}." for item in content["limits"]),
        *(f"What would help: {item['words']}." for item in content["gains"]),
        *other_bay(content, digest),
    ]
    layout = Table(
        "The layout",
        ("quantity", "value"),
        tuple(
            (name.rpartition("_")[0].replace("_", " "), _unit(value, name.rpartition("_")[2]))
            for name, value in content["layout"].items()
        ),
    )
    sightings = Table(
        "What each tower sees",
        ("view", "range", "tilt", "toe, expanded", "camber, expanded", "verdict"),
        tuple(
            (
                f"{s['tower']} tower: {s['vehicle']} {s['wheel']} at {s['station']}",
                _unit(s["range_m"], "m"),
                _unit(s["tilt_deg"], "deg"),
                _unit(s["expanded_toe_deg"], "deg"),
                _unit(s["expanded_camber_deg"], "deg"),
                str(s["verdict"]),
            )
            for s in content["sightings"][:MOST_ROWS]
        ),
    )
    tables = [layout, sightings]
    if broken:
        rows = tuple(
            (
                f"{c['name']}, {c['where']}",
                _unit(c["value"], c["unit"]),
                _unit(c["limit"], c["unit"]),
            )
            for c in broken[:MOST_ROWS]
        )
        tables.append(Table("Constraints that don't hold", ("constraint", "is", "limit"), rows))
    landscape = picture_beside(
        place,
        "landscape.png",
        "How the predicted uncertainty changes with where the towers stand.",
    )
    return Section(
        "siting", "Siting", tuple(lead), tuple(tables), landscape, source_words(place, content)
    )


def budget_section(place: Path, digest: str | None) -> Section:
    """Return what `sightbench budget` found.

    Raises
    ------
    RunError
        `place` has no budget.json, or one that isn't from that command.
    """
    with content_of(place, "budget.json", "budget") as content:
        return _budget(place, content, digest)


def _budget(place: Path, content: dict[str, Any], digest: str | None) -> Section:
    lines = sorted(content["lines"], key=lambda line: -(line["share_of_tolerance"] or 0.0))
    rows = tuple(
        (
            _angle(line),
            _unit(line["u_deg"], "deg"),
            figures(line["k"], 3),
            _unit(line["expanded_deg"], "deg"),
            _unit(line["tolerance_deg"], "deg"),
            str(line["verdict"]),
            str(line["largest"]),
        )
        for line in lines[:MOST_ROWS]
    )
    columns = (
        "angle",
        "standard uncertainty",
        "k",
        "expanded",
        "tolerance",
        "verdict",
        "largest cause",
    )
    shown = f", the {MOST_ROWS} nearest to their tolerance" if len(lines) > MOST_ROWS else ""
    causes = [name for name in lines[0] if name.startswith("u_") and name != "u_deg"]
    worst = Table(
        f"Causes for {content['worst']}, largest first (standard uncertainty)",
        ("cause", "standard uncertainty"),
        tuple(
            (name[2:].removesuffix("_deg").replace("_", " "), _unit(lines[0][name], "deg"))
            for name in sorted(causes, key=lambda name: -lines[0][name])
        ),
    )
    picture = picture_beside(
        place, "budget.png", "Contributions to the uncertainty of each angle."
    )
    return Section(
        "budget",
        "Uncertainty budget",
        (
            *content["words"],
            *(f"Basis: {b}." for b in content["basis"]),
            *other_bay(content, digest),
        ),
        (Table(f"Angles{shown}", columns, rows), worst),
        picture,
        source_words(place, content),
    )


def _angle(line: dict[str, Any]) -> str:
    """Name an angle as the budget does: toe to the centre line is toe, that to another says so."""
    name = " ".join(filter(None, (line["axle"], line["side"], line["quantity"])))
    to = " to thrust line" if line["reference"] == "thrust line" else ""
    return f"{name}{to} of {line['vehicle']} at {line['station']}"


def registration_section(place: Path, digest: str | None) -> Section:
    """Return what `sightbench register solve` found.

    Raises
    ------
    RunError
        `place` has no registration.json, or one that isn't from that command.
    """
    with content_of(place, "registration.json", "register solve") as content:
        failed = content["failed_checks"]
        verdict = "all checks hold" if not failed else f"checks that fail: {', '.join(failed)}"
        T = content["T_left_right"]
        across = ", ".join(figures(1e3 * v, 6) for v in T["translation_m"])
        turned = ", ".join(figures(v, 6) for v in T["rotation_vector_rad"])
        lead = (
            f"Registration of the towers: {verdict}.",
            f"χ² is {figures(content['chi_square'])} with {content['degrees']} degrees of freedom "
            f"(p = {figures(content['p_value'], 2)}).",
            f"The weakest direction: {content['weakest_direction']['words']}.",
            *other_bay(content, digest),
        )
        rows = (
            ("place of the right camera in the left one's frame", f"({across}) mm"),
            ("rotation vector", f"({turned}) rad"),
        )
    table = Table("From the right tower to the left", ("quantity", "value"), rows)
    return Section(
        "registration", "Registration", lead, (table,), (), source_words(place, content)
    )


def level_section(place: Path, digest: str | None) -> Section:
    """Return what `sightbench level solve` found.

    Raises
    ------
    RunError
        `place` has no level.json, or one that isn't from that command.
    """
    with content_of(place, "level.json", "level solve") as content:
        lead = (
            f"Found is {content['found']}.",
            f"χ² is {figures(content['chi_square'])} with {content['degrees']} degrees of "
            "freedom.",
            *other_bay(content, digest),
        )
        rows = tuple(
            (
                f"{name} tower",
                ", ".join(figures(v, 6) for v in tower["up_camera"]),
                # the least known direction's standard uncertainty
                _unit(math.degrees(math.sqrt(np.linalg.eigvalsh(tower["covariance"])[-1])), "deg"),
            )
            for name, tower in content["towers"].items()
        )
    columns = ("tower", "up in its camera's frame", "standard uncertainty, least known direction")
    table = Table("Which way is up", columns, rows)
    return Section("level", "Level", lead, (table,), (), source_words(place, content))


def wheels_section(place: Path, digest: str | None) -> Section:
    """Return what `sightbench wheels` measured.

    Raises
    ------
    RunError
        `place` has no wheels.json, or one that isn't from that command.
    """
    with content_of(place, "wheels.json", "wheels") as content:
        rows = tuple(
            (
                f"{row['name']} ({row['refers_to']})" if row["refers_to"] else str(row["name"]),
                _unit(row["value"], row["unit"]),
                _unit(row["u"], row["unit"]),
            )
            for row in content["rows"]
        )
    lead = (f"{len(rows)} angles and lengths were measured.", *other_bay(content, digest))
    table = Table("What was measured", ("quantity", "value", "standard uncertainty"), rows)
    picture = picture_beside(place, "wheels.png", "The measured wheel angles with uncertainties.")
    return Section("wheels", "Wheels", lead, (table,), picture, source_words(place, content))


def _unit(value: float | None, unit: str) -> str:
    return f"{figures(value)} {unit}".strip()
