"""A length check's plan and result, as tables and in sentences."""

from __future__ import annotations

import polars as pl

from bench.proof.acceptance import Acceptance, Volume, lines_of
from bench.proof.length import K, LengthPlan, LengthResult
from bench.proof.words import columns

LINES = ("along", "across", "upright", *(f"diagonal {i}" for i in range(1, 5)))


def plan_words(plan: LengthPlan, readings: int) -> list[str]:
    """Return the places with their uncertainties, and the error of scale that will be found."""
    rows = [("place", "where", f"expanded uncertainty mm (k = {K:g})")]
    for number, (place, s) in enumerate(
        zip(plan.places, plan.sigma(readings), strict=True), start=1
    ):
        rows.append((str(number), place.words, f"{1e3 * K * s:.2f}"))
    scale = plan.detectable_scale(readings)
    return [
        *columns(rows),
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
        *columns(rows),
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


def acceptance_words(found: Acceptance, runs: int, seed: int) -> list[str]:
    """Return the lines' lengths with their standard deviations, and the largest error."""
    rows = [("line", "lengths mm", "standard deviations mm")]
    for i, name in enumerate(LINES):
        lengths = " ".join(f"{v:.0f}" for v in 1e3 * found.lengths[i])
        rows.append((name, lengths, " ".join(f"{v:.2f}" for v in 1e3 * found.sigma[i])))
    largest = 1e3 * found.quantile(0.95)
    return [
        *columns(rows),
        f"The largest of the 35 errors stays below {largest:.2f} mm in 95 % of {runs} simulated "
        f"runs (its median is {1e3 * found.quantile(0.5):.2f} mm), seed {seed}.",
    ]


def acceptance_table(found: Acceptance, volume: Volume) -> pl.DataFrame:
    """Return a row for each length of each line: its ends, length and standard deviation."""
    ends = lines_of(volume)
    return pl.DataFrame(
        [
            {
                "line": name,
                "from": " ".join(f"{v:.3f}" for v in ends[i, 0]),
                "to": " ".join(f"{v:.3f}" for v in ends[i, 1]),
                "length_mm": float(length),
                "sigma_mm": float(sigma),
            }
            for i, name in enumerate(LINES)
            for length, sigma in zip(1e3 * found.lengths[i], 1e3 * found.sigma[i], strict=True)
        ]
    )
