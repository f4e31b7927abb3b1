"""The report's first sentences: how far, how steep, with which pipeline, and what limits it."""

from __future__ import annotations

from typing import Any

import polars as pl

from bench.report.run import MapRun
from bench.report.words import headline, view_words
from bench.survey.columns import OUTCOMES
from bench.survey.limits import GRID_END
from bench.survey.plan import number
from bench.survey.summary import failure_words, reach_words
from bench.survey.verdicts import HOLDS, UNDECIDED
from bench.survey.views import joined, views_words

Row = dict[str, Any]
AT_BOUND = 0.9  # efficiency above which nobody would see a difference
NEAR_BOUND = 0.5  # efficiency from which the geometry, and no longer the algorithm, is the limit


def first_sentences(run: MapRun) -> list[str]:
    """Return three sentences; of a map in which nothing holds, what comes nearest."""
    held = run.limits.ranges.filter(pl.col("verdict") == HOLDS)
    if held.is_empty():
        return [headline(run), reach_words(run.limits), failure_words(run.cells)]
    longest = float(held["longest_range_m"].max())  # type: ignore[arg-type]
    far = held.filter(pl.col("longest_range_m") == longest)
    # of those that reach as far, the one that does at most views
    best = max(run.pipelines, key=lambda name: len(far.filter(pl.col("pipeline") == name)))
    there = far.filter(pl.col("pipeline") == best)
    end = ", " + GRID_END + "," if longest == max(run.plan.ranges_m) else ""
    tested = run.limits.ranges.select("pitch_deg", "turn_deg").rows()
    where = views_words(there.select("pitch_deg", "turn_deg").rows(), tested)
    within = number(run.limits.request.within_deg)
    return [
        f"{within} deg holds to {number(longest)} m{end} at {where} with {best}.",
        _beside(run, best),
        _limited(run, best),
    ]


def _beside(run: MapRun, best: str) -> str:
    """Say what the best pipeline does where it reaches least, and what the others do."""
    said = []
    worst = _weakest(run, best)
    if worst is not None:
        reach = _reach(worst["longest_range_m"])
        said.append(f"at {view_words(worst['pitch_deg'], worst['turn_deg'])} it holds {reach}")
    others = [name for name in run.pipelines if name != best]
    for name in others:
        mine = run.limits.ranges.filter(
            (pl.col("pipeline") == name) & (pl.col("verdict") == HOLDS)
        )
        top = mine.sort("longest_range_m", "tilt_deg", descending=[True, True])
        if top.is_empty():
            said.append(f"{name} nowhere")
        else:
            row = top.row(0, named=True)
            view = view_words(row["pitch_deg"], row["turn_deg"])
            said.append(f"{name} {_reach(row['longest_range_m'])} at {view}")
    words = "; ".join(said) or "no other pipeline was asked"
    return f"{words[:1].upper()}{words[1:]}."


def _limited(run: MapRun, best: str) -> str:
    """Say what ends the best pipeline's range where it reaches least."""
    worst = _weakest(run, best)
    if worst is None:
        return "Nothing that was tried limits it: every range and view holds."
    cell = run.cells.filter(
        (pl.col("pipeline") == best)
        & (pl.col("range_m") == worst["next_range_m"])
        & (pl.col("turn_deg") == worst["turn_deg"])
        & (pl.col("pitch_deg") == worst["pitch_deg"])
    ).row(0, named=True)
    lost, over = cell["n"] - cell["n_ok"], cell["n_ok"] - cell["n_within"]
    place = f"at {number(cell['range_m'])} m, {view_words(cell['pitch_deg'], cell['turn_deg'])}"
    if worst["next_verdict"] == UNDECIDED:
        need = worst["n_needed"]
        more = f" (about {need} would)" if need else ""
        return f"What ends it {place}: {cell['n']} pictures don't decide{more}."
    if lost >= over:
        kinds = joined(
            f"{cell[f'n_{name}']} {name.replace('_', ' ')}"
            for name in OUTCOMES
            if name != "ok" and cell[f"n_{name}"]
        )
        none = f"{lost} of {cell['n']} pictures give no usable pose ({kinds})"
        return f"What limits it {place}: {none}."
    within = number(run.limits.request.within_deg)
    return (
        f"What limits it {place}: {over} of {cell['n']} pictures are off by more than {within} "
        f"deg; {_cause(cell, built=bool(run.plan.imperfections))}."
    )


def _cause(cell: Row, *, built: bool) -> str:
    efficiency = cell["efficiency_rot"]
    if not cell["bound_holds"] or not efficiency:
        return "seen so nearly face-on, the picture itself tells little of a turn: tilt the plate"
    times = f"errors are {1.0 / efficiency:.2g} times the bound of noise"
    if efficiency > AT_BOUND:
        times = "errors are as small as noise lets them be"
    if efficiency >= NEAR_BOUND:
        return f"{times}, so that geometry is the limit: a larger target or a longer lens"
    return f"{times}, so that the {'imperfect bay or the ' if built else ''}pipeline is the limit"


def _weakest(run: MapRun, name: str) -> Row | None:
    """Return the view in which a pipeline reaches least; None where all reach the grid's end."""
    ended = run.limits.ranges.filter(
        (pl.col("pipeline") == name) & pl.col("next_range_m").is_not_null()
    )
    if ended.is_empty():
        return None
    return ended.sort("longest_range_m", "tilt_deg", nulls_last=False).row(0, named=True)


def _reach(range_m: float | None) -> str:
    return "nowhere" if range_m is None else f"to {number(range_m)} m"
