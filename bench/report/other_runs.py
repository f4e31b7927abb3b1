"""Sections made from what other commands wrote: siting, budget, registration, level, wheels."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from bench.budget.result import BUDGET, BudgetLine
from bench.envelope import Result, read_result
from bench.registration.level_result import read_level
from bench.registration.result import read_registration
from bench.report.section import Section, Table, made_for, picture_beside, source_words
from bench.siting.result import SITING
from bench.survey.run_file import SurveyRun
from bench.units import figures, measured
from bench.wheels.result import WHEELS

MOST_ROWS = 40
Run = Result[SurveyRun]


def siting_section(place: Path, run: Run | None) -> Section:
    """Return what `sightbench site` found.

    Raises
    ------
    ConfigError
        `place` has no site.json, or one that isn't from that command or for this map.
    """
    result = read_result(place, SITING)
    value = result.value
    broken = [c for c in value.constraints if not c.holds]
    fits = "a feasible layout" if value.feasible else "no feasible layout"
    lead = [
        f"{fits.capitalize()}: the worst predicted uncertainty is "
        f"{figures(value.over_tolerance)} of its tolerance "
        f"({value.basis}, k = {figures(value.coverage_factor, 3)}).",
        f"{len(value.constraints) - len(broken)} of {len(value.constraints)} constraints hold.",
        *_rule(value.decision_rule),
        *(f"What limits it: {item.words}." for item in value.limits),
        *(f"What would help: {item.words}." for item in value.gains),
        *made_for(result, run),
    ]
    layout = Table(
        "The layout",
        ("quantity", "value"),
        tuple(
            (name.replace("_", " "), _unit(number, unit, 4))
            for key, number in value.layout.items()
            for name, _, unit in (key.rpartition("_"),)
        ),
    )
    sightings = Table(
        "What each tower sees",
        ("view", "range", "tilt", "toe, expanded", "camber, expanded", "verdict"),
        tuple(
            (
                f"{s.tower} tower: {s.vehicle} {s.wheel} at {s.station}",
                _unit(s.range_m, "m", 3),
                _unit(s.tilt_deg, "deg", 3),
                _unit(s.expanded_toe_deg, "deg"),
                _unit(s.expanded_camber_deg, "deg"),
                s.verdict,
            )
            for s in value.sightings[:MOST_ROWS]
        ),
    )
    tables = [layout, sightings]
    if broken:
        rows = tuple(
            (
                f"{c.name}, {c.where}",
                _unit(c.value, c.unit, 3),
                _unit(c.limit, c.unit, 3),
            )
            for c in broken[:MOST_ROWS]
        )
        tables.append(Table("Constraints that don't hold", ("constraint", "is", "limit"), rows))
    return Section("siting", "Siting", tuple(lead), tuple(tables), (), source_words(place, result))


def budget_section(place: Path, run: Run | None) -> Section:
    """Return what `sightbench budget` found.

    Raises
    ------
    ConfigError
        `place` has no budget.json, or one that isn't from that command or for this map.
    """
    result = read_result(place, BUDGET)
    value = result.value
    lines = sorted(value.lines, key=lambda line: -(line.share_of_tolerance or 0.0))
    rows = tuple(
        (
            _angle(line),
            f"{line.u_deg:.4f} deg",
            figures(line.k, 3),
            f"{line.expanded_deg:.4f} deg",
            "none" if line.tolerance_deg is None else _unit(line.tolerance_deg, "deg"),
            line.verdict or "no tolerance",
            line.largest,
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
    worst = Table(
        f"Causes for {value.worst}, largest first (standard uncertainty)",
        ("cause", "standard uncertainty"),
        tuple((name, f"{u:.4f} deg") for name, u in lines[0].contributions.items()),
    )
    picture = picture_beside(
        place, "budget.png", "Contributions to the uncertainty of each angle."
    )
    return Section(
        "budget",
        "Uncertainty budget",
        (
            *value.words,
            *(f"Basis: {b}." for b in value.basis),
            *made_for(result, run),
        ),
        (Table(f"Angles{shown}", columns, rows), worst),
        picture,
        source_words(place, result),
    )


def _angle(line: BudgetLine) -> str:
    """Name an angle as the budget does: toe to the centre line is toe, that to another says so."""
    name = " ".join(filter(None, (line.axle, line.side, line.quantity)))
    to = " to thrust line" if line.reference == "thrust line" else ""
    return f"{name}{to} of {line.vehicle} at {line.station}"


def registration_section(place: Path, run: Run | None) -> Section:
    """Return what `sightbench register solve` found.

    Raises
    ------
    ConfigError
        `place` has no registration.json, or one that isn't from that command or for this map.
    """
    result = read_registration(place)
    value = result.value
    failed = value.failed_checks
    verdict = "all checks hold" if not failed else f"checks that fail: {', '.join(failed)}"
    across = ", ".join(_fixed(1e3 * v, 2) for v in value.T_left_right.translation_m)
    turned = ", ".join(_fixed(math.degrees(v), 4) for v in value.T_left_right.rotation_vector_rad)
    variances = np.diag(np.array(value.covariance))
    turn, shift = (math.sqrt(np.sum(part)) for part in (variances[:3], variances[3:]))
    lead = (
        f"Registration of the towers: {verdict}.",
        f"χ² is {figures(value.chi_square, 3)} with {value.degrees} degrees of freedom "
        f"(p = {figures(value.p_value)}).",
        f"The weakest direction: {value.weakest_direction.words}.",
        *made_for(result, run),
    )
    rows = (
        (
            "place of the right camera in the left one's frame",
            f"({across}) mm",
            f"{1e3 * shift:.2g} mm",
        ),
        ("rotation vector", f"({turned}) deg", f"{math.degrees(turn):.2g} deg"),
    )
    columns = ("quantity", "value", "standard uncertainty, of the three directions together")
    table = Table("From the right tower to the left", columns, rows)
    return Section("registration", "Registration", lead, (table,), (), source_words(place, result))


def level_section(place: Path, run: Run | None) -> Section:
    """Return what `sightbench level solve` found.

    Raises
    ------
    ConfigError
        `place` has no level.json, or one that isn't from that command or for this map.
    """
    result = read_level(place)
    value = result.value
    lead = (
        f"Found is {value.found}.",
        f"χ² is {figures(value.chi_square, 3)} with {value.degrees} degrees of freedom.",
        *made_for(result, run),
    )
    rows = tuple(
        (
            f"{name} tower",
            ", ".join(_fixed(v, 5) for v in tower.up_camera),
            # the least known direction's standard uncertainty
            f"{math.degrees(math.sqrt(np.linalg.eigvalsh(tower.covariance)[-1])):.2g} deg",
        )
        for name, tower in value.towers.items()
    )
    columns = ("tower", "up in its camera's frame", "standard uncertainty, least known direction")
    table = Table("Which way is up", columns, rows)
    return Section("level", "Level", lead, (table,), (), source_words(place, result))


def wheels_section(place: Path, run: Run | None) -> Section:
    """Return what `sightbench wheels` measured.

    Raises
    ------
    ConfigError
        `place` has no wheels.json, or one that isn't from that command or for this map.
    """
    result = read_result(place, WHEELS)
    rows = tuple(
        (
            f"{row.name} ({row.refers_to})" if row.refers_to else row.name,
            *(f"{text} {row.unit}" for text in measured(row.value, row.u)),
        )
        for row in result.value.rows
    )
    lead = (f"{len(rows)} angles and lengths were measured.", *made_for(result, run))
    table = Table("What was measured", ("quantity", "value", "standard uncertainty"), rows)
    picture = picture_beside(place, "wheels.png", "The measured wheel angles with uncertainties.")
    return Section("wheels", "Wheels", lead, (table,), picture, source_words(place, result))


def _rule(words: str) -> tuple[str, ...]:
    return (f"Decision rule: {words}.",) if words else ()


def _fixed(value: float, digits: int) -> str:
    return f"{value:.{digits}f}".replace("-", "−")


def _unit(value: float | None, unit: str, digits: int = 2) -> str:
    return f"{figures(value, digits)} {unit}".strip()
