"""Limits of a run in words: a line a pipeline, or each tilt and range with what ends it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import polars as pl

from bench.survey.grid_phase import phase_lines
from bench.survey.limits import GRID_END, NONE, Limits
from bench.survey.plan import number
from bench.survey.verdicts import HOLDS, UNDECIDED
from bench.survey.views import joined, views_words


def limit_lines(limits: Limits, long: bool = False) -> Iterator[str]:
    """Yield what was asked, and each pipeline's limits: or `long`, with what ends them."""
    yield asked_line(limits)
    names = limits.ranges["pipeline"].unique(maintain_order=True).to_list()
    width = max(map(len, names))
    for pipeline in names:
        if long:
            yield from _long_lines(limits, pipeline)
        else:
            yield f"{pipeline:<{width}}  {reach_of(limits, pipeline)}"
    if long:
        yield ""
    yield from phase_lines(limits.phase)


def asked_line(limits: Limits) -> str:
    """Return the question, with the pictures of a cell and their rolls."""
    n, most = int(limits.cells["n"].min()), int(limits.cells["n"].max())  # type: ignore[arg-type]
    count = f"{n}" if n == most else f"{n} to {most}"
    rolls = f", {limits.rolls}" if limits.rolls else ""
    words = limits.request.words
    return f"{words[0].upper()}{words[1:]}; {count} pictures a cell{rolls}"


def reach_of(limits: Limits, pipeline: str) -> str:
    """Say how far a pipeline holds at which tilts, the farthest first; ties are ranges."""
    mine = limits.ranges.filter(pl.col("pipeline") == pipeline)
    tested = mine.select("pitch_deg", "turn_deg").rows()
    groups: dict[tuple[int, float, bool, bool], list[tuple[float, float]]] = {}
    order = {HOLDS: 0, UNDECIDED: 1, NONE: 2}
    for row in mine.iter_rows(named=True):
        beyond = row["next_verdict"] == UNDECIDED
        key = (
            order[row["verdict"]],
            -(row["longest_range_m"] or 0.0),
            not row["all_tested"],
            beyond,
        )
        groups.setdefault(key, []).append((row["pitch_deg"], row["turn_deg"]))
    parts = []
    for (rank, minus, ends, beyond), views in sorted(groups.items()):
        where = views_words(views, tested)
        reach = f"{number(-minus)} m" if ends else f"{GRID_END}, {number(-minus)} m,"
        after = ", undecided beyond," if ends and beyond else ""
        words = (f"to {reach}{after} at", "undecided at", "none at")[rank]
        parts.append(f"{words} {where}")
    return "; ".join(parts)


def _long_lines(limits: Limits, pipeline: str) -> Iterator[str]:
    mine = pl.col("pipeline") == pipeline
    yield (f"\n{pipeline}\n  longest range")
    for row in limits.ranges.filter(mine).iter_rows(named=True):
        yield (f"    {_view(row)}: {row['words']}")
    yield ("  tilts that hold")
    for row in limits.bands.filter(mine).iter_rows(named=True):
        yield (f"    {number(row['range_m'])} m{_other(row)}: {row['words']}")


def _view(row: dict[str, Any]) -> str:
    if row["pitch_deg"] == 0.0 and row["turn_deg"] >= 0.0:
        return f"tilt {number(row['turn_deg'])} deg"
    return (
        f"turn {number(row['turn_deg'])}, pitch {number(row['pitch_deg'])} deg "
        f"(tilt {row['tilt_deg']:.1f})"
    )


def _other(row: dict[str, Any]) -> str:
    if row["at_deg"] == 0.0:
        return ""
    other = "pitch" if row["along"] == "turn" else "turn"
    return f", {other} {number(row['at_deg'])} deg"


def farthest_words(limits: Limits) -> str:
    """Say how far any pipeline holds, at which tilts and by which; empty where none does."""
    held = limits.ranges.filter(pl.col("verdict") == HOLDS)
    if held.is_empty():
        return ""
    longest = float(held["longest_range_m"].max())  # type: ignore[arg-type]
    far = held.filter(pl.col("longest_range_m") == longest)
    tested = limits.ranges.select("pitch_deg", "turn_deg").rows()
    by_name = {
        name: mine.select("pitch_deg", "turn_deg").rows()
        for (name,), mine in far.group_by("pipeline", maintain_order=True)
    }
    first, *others = sorted(by_name, key=lambda name: -len(by_name[name]))
    end = (
        f"{GRID_END}, {number(longest)} m," if far["all_tested"].all() else f"{number(longest)} m"
    )
    words = f"holds farthest, to {end} at {views_words(by_name[first], tested)}, by {first}"
    if others:
        words += "; as far " + joined(
            f"at {views_words(by_name[name], tested)} by {name}" for name in others
        )
    return words
