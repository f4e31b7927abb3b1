"""A budget as tables, and its verdict in words."""

from __future__ import annotations

import math
from typing import Any

import polars as pl

from bench.budget.budget import Budget, Line
from bench.budget.inputs import CONTRIBUTIONS
from bench.tables import aligned, finite_or_none

CONTRIBUTION_COLUMNS = {
    name: f"u_{name.replace(' ', '_').replace('-', '_')}_deg" for name in CONTRIBUTIONS
}


def budget_table(budget: Budget) -> pl.DataFrame:
    """Return a row a line; standard uncertainties by contribution in columns ``u_…_deg``."""
    return pl.DataFrame(
        [
            {
                "vehicle": line.vehicle,
                "station": line.station,
                "behind_m": line.behind,
                "axle": line.measurand.axle,
                "side": line.measurand.side,
                "quantity": line.measurand.kind,
                "reference": line.measurand.reference,
                "u_deg": line.sigma,
                "k": line.k,
                "expanded_deg": line.expanded,
                "trials_u_deg": line.trials_sigma,
                "trials_low_deg": line.trials_low,
                "trials_high_deg": line.trials_high,
                "methods_agree": line.agree,
                "tolerance_deg": finite_or_none(line.tolerance),
                "share_of_tolerance": line.share if math.isfinite(line.tolerance) else None,
                "verdict": line.answer if math.isfinite(line.tolerance) else None,
                "largest": line.largest,
                "expanded_with_largest_halved_deg": line.with_halved(line.largest),
                **{
                    CONTRIBUTION_COLUMNS[name]: value
                    for name, value in zip(CONTRIBUTIONS, line.contributions, strict=True)
                },
            }
            for line in budget.lines
        ]
    )


def verdict_words(budget: Budget) -> tuple[str, ...]:
    """Return the verdict, what to attack first, and how the two methods compare."""
    worst = budget.worst
    outside = [line for line in budget.judged if line.answer == "outside"]
    percent = f"{100.0 * budget.confidence:g} %"
    if outside:
        head = (
            f"Outside tolerance: {len(outside)} of {len(budget.judged)} angles; the worst, "
            f"{place(worst)}, {worst.judged:.3f} deg of {worst.tolerance:.3f}"
        )
    else:
        head = (
            f"Inside tolerance: all {len(budget.judged)} angles; the nearest to it, "
            f"{place(worst)}, {worst.judged:.3f} deg of {worst.tolerance:.3f}"
        )
    part = worst.contributions[CONTRIBUTIONS.index(worst.largest)]
    halved = worst.with_halved(worst.largest)
    trials = f"{budget.trials} Monte Carlo trials"
    differing = [line for line in budget.lines if not line.agree]
    if not budget.stable:
        compared = (
            f"{trials} were too few to compare both methods to the last digit; so far the ends of "
            f"their intervals differ by {budget.difference:.4f} deg at most"
        )
    elif differing:
        compared = (
            f"first order and {trials} differ for {len(differing)} of {len(budget.lines)} angles, "
            f"by {budget.difference:.4f} deg at most; the larger is judged"
        )
    else:
        compared = (
            f"first order and {trials} agree for all angles (JCGM 101, 8.1); the ends of their "
            f"intervals differ by {budget.difference:.4f} deg at most"
        )
    return (
        f"{head} (expanded uncertainty, k = {worst.k:.2f}, {percent})"
        f"{worst.decision.chance_words}.",
        f"Attack first: {worst.largest}, standard uncertainty {part:.4f} deg of "
        f"{worst.sigma:.4f}; half of it would give {halved:.3f} deg.",
        f"{compared[0].upper()}{compared[1:]}.",
        f"Decision rule: {worst.decision.rule_words}.",
    )


def place(line: Line) -> str:
    """Say whose angle it is: ``"rear left toe of long chassis at floor"``."""
    return f"{line.measurand.name} of {line.vehicle} at {line.station}"


def table_lines(budget: Budget) -> list[str]:
    """Return a table for the terminal: a row an axle, the worse of left and right."""
    head = ("vehicle", "station", "angle", "u deg", "U deg", "trials deg", "tolerance", "largest")
    rows: list[tuple[str, ...]] = [head]
    groups: dict[tuple[str, ...], list[Line]] = {}
    for line in budget.judged:
        m = line.measurand
        groups.setdefault((line.vehicle, line.station, m.axle, m.kind, m.reference), []).append(
            line
        )
    for lines in groups.values():
        line = max(lines, key=lambda one: one.share)
        trials = max(-line.trials_low, line.trials_high)
        rows.append(
            (
                line.vehicle,
                line.station,
                line.measurand.name,
                f"{line.sigma:.4f}",
                f"{line.expanded:.3f}",
                f"{trials:.3f}",
                f"{line.answer}, {line.judged:.3f} of {line.tolerance:.3f}",
                line.largest,
            )
        )
    return aligned(rows)


def budget_content(budget: Budget) -> dict[str, Any]:
    """Return all of a budget for JSON."""
    return {
        "verdict": "inside" if budget.inside else "outside",
        "words": list(verdict_words(budget)),
        "decision_rule": budget.worst.decision.rule_words,
        "basis": list(budget.basis),
        "measured": dict(budget.measured),
        "confidence": budget.confidence,
        "trials": budget.trials,
        "trials_stable": budget.stable,
        "largest_difference_deg": budget.difference,
        "worst": place(budget.worst),
        "lines": budget_table(budget).to_dicts(),
    }
