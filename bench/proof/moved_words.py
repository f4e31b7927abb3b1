"""The plan and result of a check for a moved tower, as tables and in sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import polars as pl

from bench.conformity import decide
from bench.proof.moved import MOVES, MovedPlan, MovedResult
from bench.scene.model import Tolerance
from bench.tables import aligned

# p below which two towers are said not to have seen the same change
ALIKE = 0.01


def plan_words(plans: Sequence[MovedPlan], power: float, false_alarms: float) -> list[str]:
    """Return the smallest moves that will be found, and what they would do to toe and camber."""
    rows = [("move along bay axes", *(f"{plan.tower} tower" for plan in plans))]
    smallest = [plan.smallest(power) for plan in plans]
    for index, name in enumerate(MOVES):
        rows.append((name, *(move_words(index, float(s[index])) for s in smallest)))
    worst = max(math.degrees(float(s[2])) for s in smallest)
    tilt = max(math.degrees(float(s[0])) for s in smallest)
    return [
        *aligned(rows),
        f"Smallest moves found with {100 * power:g} % chance, {100 * false_alarms:g} % of false "
        f"alarms. A tower turned by that about the vertical shifts total toe by {worst:.3f} deg "
        f"and each wheel's toe by half; about the bay's x, camber on its side by {tilt:.3f} deg.",
    ]


def plan_table(plans: Sequence[MovedPlan], power: float) -> pl.DataFrame:
    """Return a row for each tower and move: the smallest that will be found."""
    return pl.DataFrame(
        [
            {
                "tower": plan.tower,
                "move": name,
                "smallest": float(np.degrees(s[i])) if i < 3 else 1e3 * float(s[i]),
                "unit": "deg" if i < 3 else "mm",
            }
            for plan, s in [(plan, plan.smallest(power)) for plan in plans]
            for i, name in enumerate(MOVES)
        ]
    )


def result_words(results: Sequence[MovedResult], power: float) -> list[str]:
    """Return each tower's move with its expanded uncertainty, and whether it has moved."""
    rows: list[tuple[str, ...]] = [("tower", *MOVES)]
    for result in results:
        rows.append(
            (
                result.plan.tower,
                *(
                    f"{move_words(i, float(m), sign=True)} ± {move_words(i, 2.0 * float(s))}"
                    for i, (m, s) in enumerate(zip(result.move, result.sigma, strict=True))
                ),
            )
        )
    return [*aligned(rows), *(moved_words(result, power) for result in results)]


def result_table(results: Sequence[MovedResult]) -> pl.DataFrame:
    """Return a row for each tower: the verdict, and its move with standard uncertainties."""
    return pl.DataFrame([moved_row(result) for result in results])


def alike_words(p_value: float) -> str:
    """Say that both towers saw the same change, so that the target moved."""
    return (
        f"Both towers see the target itself moved alike (p = {p_value:.3g}): rather it was put "
        "back elsewhere; put it on its mark and look again."
    )


def move_words(index: int, value: float, sign: bool = False) -> str:
    """Return a turn in degrees or a shift in millimetres; `index` counts `MOVES`."""
    plus = "+" if sign else ""
    if index < 3:
        return f"{math.degrees(value):{plus}.4f} deg"
    return f"{1e3 * value:{plus}.3f} mm"


def moved_words(result: MovedResult, power: float) -> str:
    """Say whether a tower moved, or how large a move would have been found."""
    name = result.plan.tower
    if result.moved:
        ratios = np.abs(result.move / result.sigma)
        most = int(np.argmax(ratios))
        return (
            f"The {name} tower has moved (p = {result.p_value:.2g}); mostly {MOVES[most]} "
            f"by {move_words(most, float(result.move[most]), sign=True)}. Register again."
        )
    smallest = result.plan.smallest(power)
    return (
        f"The {name} tower shows no move (p = {result.p_value:.2g}); one of "
        f"{move_words(2, float(smallest[2]))} about the vertical or "
        f"{move_words(4, float(smallest[4]))} across the bay would have been found "
        f"with {100 * power:g} % chance."
    )


def angle_words(results: Sequence[MovedResult], tolerance: Tolerance) -> list[str]:
    """Say whether what each tower's move does to total toe and to camber is inside tolerance."""
    found = []
    for result in results:
        parts = []
        for name, what, index in (("toe", "total toe", 2), ("camber", "camber on its side", 0)):
            limit: float = getattr(tolerance, name)
            decision = decide(
                float(result.move[index]),
                float(result.sigma[index]),
                -limit,
                limit,
                tolerance.rule,
                tolerance.confidence,
            )
            value, expanded = math.degrees(decision.value), math.degrees(decision.expanded)
            parts.append(
                f"{what} {decision.state} tolerance, {value:+.4f} ± {expanded:.4f} deg of "
                f"{math.degrees(limit):.3f}{decision.chance_words}"
            )
        found.append(f"What that does, {result.plan.tower} tower: {'; '.join(parts)}.")
    return found


def moved_row(result: MovedResult) -> dict[str, object]:
    """Return the row of one tower, units in the names."""
    row: dict[str, object] = {
        "tower": result.plan.tower,
        "moved": result.moved,
        "p_value": result.p_value,
        "chi_square": result.chi_square,
        "scatter_factor": result.factor,
    }
    for i, name in enumerate(MOVES):
        unit, scale = ("deg", 180.0 / math.pi) if i < 3 else ("mm", 1e3)
        key = name.replace(" ", "_")
        row[f"{key}_{unit}"] = scale * float(result.move[i])
        row[f"{key}_sigma_{unit}"] = scale * float(result.sigma[i])
    return row
