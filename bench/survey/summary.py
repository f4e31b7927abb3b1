"""What a map says, in sentences."""

from __future__ import annotations

import polars as pl

from bench.survey.columns import OUTCOMES
from bench.survey.limits import Limits
from bench.survey.plan import number
from bench.survey.verdicts import HOLDS, STATISTICS


def reach_words(limits: Limits) -> str:
    """Say at which tilt, with which pipeline, the tolerance holds farthest; or that it doesn't."""
    request = limits.request
    asked = (
        f"{STATISTICS[request.statistic]} rotation error of {number(request.rotation_deg)} deg, "
        f"{number(100 * request.detection)} % usable poses, "
        f"{number(100 * request.confidence)} % confidence"
    )
    held = limits.ranges.filter(pl.col("verdict") == HOLDS)
    if held.is_empty():
        return (
            f"{asked}: no pipeline is shown to hold it at the shortest range of any tilt; "
            + _nearest(limits)
        )
    best = held.sort(
        ["longest_range_m", "tilt_deg"], descending=[True, False], maintain_order=True
    ).row(0, named=True)
    words = (
        f"{asked}: holds farthest at tilt {number(round(best['tilt_deg'], 1))} deg, "
        f"to {number(best['longest_range_m'])} m, by {best['pipeline']}"
    )
    face_on = limits.ranges.filter(
        (pl.col("pipeline") == best["pipeline"])
        & (pl.col("tilt_deg") == limits.ranges["tilt_deg"].min())
    ).row(0, named=True)
    if face_on["tilt_deg"] < best["tilt_deg"]:
        words += f"; at tilt {number(round(face_on['tilt_deg'], 1))} deg: {face_on['words']}"
    return words + "."


def _nearest(limits: Limits) -> str:
    """Name the cell that comes nearest to the tolerance."""
    cells = limits.cells.filter(pl.col("rotation_deg").is_not_null())
    if cells.is_empty():
        return "no case gave a usable pose."
    cell = cells.sort(["usable_verdict", "rotation_deg"], descending=[True, False]).row(
        0, named=True
    )
    return (
        f"nearest comes {cell['pipeline']} at {number(cell['range_m'])} m, tilt "
        f"{number(round(cell['tilt_deg'], 1))} deg: {cell['words']}."
    )


def failure_words(cells: pl.DataFrame) -> str:
    """Say how many cases failed grossly, how, and where most."""
    kinds = [name for name in OUTCOMES if name != "ok"]
    total = int(cells["n"].sum())
    counts = {name: int(cells[f"n_{name}"].sum()) for name in kinds}
    failed = sum(counts.values())
    if failed == 0:
        return f"Gross failures: none in {total} cases."
    named = ", ".join(
        f"{count} {name.replace('_', ' ')}" for name, count in counts.items() if count
    )
    worst = cells.sort(["usable_rate", "range_m"], maintain_order=True).row(0, named=True)
    return (
        f"Gross failures: {failed} of {total} cases ({named}); most in {worst['pipeline']} at "
        f"{number(worst['range_m'])} m, tilt {number(round(worst['tilt_deg'], 1))} deg: "
        f"{worst['n'] - worst['n_ok']} of {worst['n']}."
    )
