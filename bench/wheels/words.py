"""Measured wheel angles as a table in text, with what to mind about them."""

from __future__ import annotations

from typing import Any

import numpy as np

from bench.conformity import COVERAGE
from bench.scene.model import Tolerance
from bench.solve.turning import axis_sigma
from bench.tables import aligned
from bench.wheels.contradiction import REFUTED
from bench.wheels.vehicle import MeasuredWheel


def wheel_words(rows: list[dict[str, Any]], wheels: tuple[MeasuredWheel, ...]) -> list[str]:
    """Return the table of angles as lines, and what its reader should mind.

    Parameters
    ----------
    rows : list of dict
        See `bench.wheels.files.answer_row`.
    wheels : tuple of MeasuredWheel
        What was measured.
    """
    rehearsed = "true" in rows[0]
    header = ["", "value", "u", "", "refers to", "toe on rim", *(["error"] if rehearsed else [])]
    body = []
    for row in rows:
        digits = 3 if row["unit"] == "deg" else 1
        cells = [
            row["name"],
            f"{row['value']:+.{digits}f}",
            f"{row['u']:.{digits}f}",
            row["unit"],
            row["refers_to"],
            "" if row["toe_mm"] is None else f"{row['toe_mm']:+.2f} mm",
        ]
        if rehearsed:
            cells.append("" if row["error"] is None else f"{row['error']:+.{digits}f}")
        body.append(cells)
    lines = aligned([header, *body], right=(1, 2, 5, 6))
    for wheel in wheels:
        turning = wheel.wheel.turning
        if REFUTED <= turning.p_value < 0.01:
            lines.append(
                f"{wheel.name}: its axis wobbled by {np.degrees(turning.wobble):.3f} deg between "
                f"readings, more than their uncertainties explain (p {turning.p_value:.1e}): "
                "bearing play, a slipped target, or a wheel that was steered"
            )
        if wheel.wheel.centre_source == "mount":
            lines.append(
                f"{wheel.name}: two rolling readings leave its centre to the mount, taken as "
                "centred within 1 mm"
            )
    rolled = min(wheels, key=lambda w: float(np.ptp(w.wheel.turning.angles)))
    lines.append(
        f"{rolled.name} rolled least, {np.degrees(np.ptp(rolled.wheel.turning.angles)):.0f} deg; "
        f"two readings leave its axis {_factors()} times as uncertain as one reading of the target"
    )
    return lines


def decision_words(rows: list[dict[str, Any]], tolerance: Tolerance) -> list[str]:
    """Say of toe, camber and thrust whether the least known is known to its tolerance."""
    found = []
    for what in ("toe", "camber", "thrust"):
        limit = float(np.degrees(getattr(tolerance, what)))
        # total toe and differences of both sides have no tolerance of their own
        held = [r for r in rows if what in r["name"].split() and "total" not in r["name"]]
        if not held:
            continue
        worst = max(held, key=lambda row: float(row["u"]))
        expanded = COVERAGE * float(worst["u"])
        decision = tolerance.holds(what, float(np.radians(expanded)))
        found.append(
            f"uncertainty of {what}: {decision.state} tolerance, {expanded:.3f} deg of "
            f"{limit:.3f} (k = {COVERAGE:g}), {worst['name']}{decision.chance_words}"
        )
    return found


def _factors() -> str:
    return ", ".join(
        f"{axis_sigma(1.0, [0.0, np.radians(roll)]):.1f} (rolled by {roll} deg)"
        for roll in (20, 30, 60, 180)
    )
