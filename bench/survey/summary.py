"""Summary of a map, in sentences."""

from __future__ import annotations

import polars as pl

from bench.survey.columns import OUTCOMES
from bench.survey.limit_words import asked_line, farthest_words
from bench.survey.limits import NONE, Limits
from bench.survey.plan import number


def reach_words(limits: Limits) -> str:
    """Say at which tilts, by which pipeline, the tolerance holds farthest; or that it doesn't."""
    asked, words = asked_line(limits), farthest_words(limits)
    if not words:
        shown = "no pipeline holds" if limits.verdict == NONE else "no pipeline is shown to hold"
        return f"{asked}: {shown} it at the shortest range of any tilt; {_nearest(limits)}"
    first = limits.ranges["tilt_deg"].min()
    face_on = limits.ranges.filter(
        (pl.col("pipeline") == words.partition(", by ")[2].partition(";")[0])
        & (pl.col("tilt_deg") == first)
    ).row(0, named=True)
    farthest = limits.ranges["longest_range_m"].max()
    if face_on["longest_range_m"] != farthest:
        words += f"; at tilt {number(round(face_on['tilt_deg'], 1))} deg: {face_on['words']}"
    return f"{asked}: {words}."


def _nearest(limits: Limits) -> str:
    """Name the cell that comes nearest to the tolerance."""
    cells = limits.cells.filter(pl.col("n_ok") > 0)
    if cells.is_empty():
        return "no case gave a usable pose."
    cell = cells.sort(["success_rate", "range_m"], descending=[True, False]).row(0, named=True)
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
