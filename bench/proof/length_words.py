"""A length check's plan and result, as tables and in sentences."""

from __future__ import annotations

import polars as pl

from bench.proof.length import K, LengthPlan, LengthResult
from bench.tables import aligned


def plan_words(plan: LengthPlan, readings: int) -> list[str]:
    """Return the places with their uncertainties, and the error of scale that will be found."""
    rows = [("place", "where", f"expanded uncertainty mm (k = {K:g})")]
    for number, (place, s) in enumerate(
        zip(plan.places, plan.sigma(readings), strict=True), start=1
    ):
        rows.append((str(number), place.words, f"{1e3 * K * s:.2f}"))
    scale = plan.detectable_scale(readings)
    return [
        *aligned(rows),
        f"An error of scale of {1e6 * scale:.0f} parts in a million "
        f"({1e3 * scale * plan.length:.2f} mm of {1e3 * plan.length:.1f}) will be found "
        "with 80 % chance, at 5 % of false alarms.",
    ]


def plan_table(plan: LengthPlan, readings: int) -> pl.DataFrame:
    """Return a row for each place: its number, where it is, expanded uncertainty."""
    sigma = plan.sigma(readings)
    return pl.DataFrame(
        {
            "place": range(1, len(sigma) + 1),
            "where": [place.words for place in plan.places],
            "expanded_mm": [1e3 * K * float(s) for s in sigma],
        }
    )


def result_words(result: LengthResult) -> list[str]:
    """Return the error at each place, and whether all lengths hold."""
    rows = [("place", "readings", "error mm", "expanded uncertainty mm")]
    for number in range(len(result.readings)):
        error, u = 1e3 * result.errors[number], 1e3 * result.expanded[number]
        rows.append((str(number + 1), str(result.readings[number]), f"{error:+.3f}", f"{u:.3f}"))
    worst = result.worst
    size = f"{abs(1e3 * result.errors[worst]):.3f} mm of {1e3 * result.expanded[worst]:.3f}"
    verdict = "hold" if result.holds else "don't hold"
    return [
        *aligned(rows),
        f"The lengths {verdict}: p = {result.p_value:.3g}; the worst, place {worst + 1}, {size}. "
        f"Scale {1e6 * result.scale:+.0f} ± {2e6 * result.scale_sigma:.0f} parts in a million.",
    ]


def result_table(result: LengthResult) -> pl.DataFrame:
    """Return a row for each place: readings, error and expanded uncertainty."""
    return pl.DataFrame(
        {
            "place": range(1, len(result.readings) + 1),
            "readings": result.readings,
            "error_mm": 1e3 * result.errors,
            "expanded_mm": 1e3 * result.expanded,
        }
    )
