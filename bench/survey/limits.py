"""From verdicts to limits: the longest range for each tilt, the tilt band for each range.

A limit of R says that every tested range up to R holds: a failing or undecided cell ends it,
whatever lies beyond. Because all its cells must hold, each at the stated confidence, the
chance of declaring a limit that reaches too far is at most one minus that confidence, without
a correction for the number of cells (intersection-union test, Berger 1982).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import takewhile
from typing import Any

import polars as pl

from bench.survey.grid_phase import grid_phase
from bench.survey.looks import Looks
from bench.survey.pieces import Cases
from bench.survey.plan import number
from bench.survey.verdicts import FAILS, HOLDS, UNDECIDED, Request, judge_cells

NONE = "none"
GRID_END = "the grid's end"

RANGE_SCHEMA: dict[str, type[pl.DataType]] = {
    "pipeline": pl.String,
    "turn_deg": pl.Float64,
    "pitch_deg": pl.Float64,
    "tilt_deg": pl.Float64,
    "verdict": pl.String,  # holds, none or undecided
    "longest_range_m": pl.Float64,  # null unless the verdict is holds
    "shortest_tested_m": pl.Float64,  # at this tilt; of shorter ranges the limit says nothing
    "all_tested": pl.Boolean,  # whether the longest range tested holds
    "next_range_m": pl.Float64,  # the cell that ends the limit
    "next_verdict": pl.String,
    "n_needed": pl.Int64,
    "words": pl.String,
}

BAND_SCHEMA: dict[str, type[pl.DataType]] = {
    "pipeline": pl.String,
    "range_m": pl.Float64,
    "along": pl.String,  # turn or pitch: the angle that runs along the band
    "at_deg": pl.Float64,  # the other angle
    "verdict": pl.String,
    "from_deg": pl.Float64,
    "to_deg": pl.Float64,
    "n_needed": pl.Int64,
    "words": pl.String,
}

Cell = dict[str, Any]


@dataclass(frozen=True, eq=False)
class Limits:
    """What a finished run says about a tolerance.

    Attributes
    ----------
    request : Request
        The question.
    cells : polars.DataFrame
        One verdict a cell (`bench.survey.verdicts.VERDICT_SCHEMA`).
    ranges : polars.DataFrame
        One row for each pipeline, turn and pitch (`RANGE_SCHEMA`).
    bands : polars.DataFrame
        One row for each band of tilts that hold, by pipeline and range (`BAND_SCHEMA`); a
        range without any has one row that says so.
    phase: polars.DataFrame
        One row a pipeline (`bench.survey.grid_phase.PHASE_SCHEMA`): pictures whose edges lie along
        the pixel grid against all.
    rolls : str
        Over which rolls the pictures were spread, in words; empty where that isn't known.
    """

    request: Request
    cells: pl.DataFrame
    ranges: pl.DataFrame
    bands: pl.DataFrame
    phase: pl.DataFrame
    rolls: str = ""

    @property
    def verdict(self) -> str:
        """``holds`` where any limit does, ``none`` where all are decided, else ``undecided``."""
        found = set(self.ranges["verdict"])
        return next((v for v in (HOLDS, UNDECIDED) if v in found), NONE)


def find_limits(
    cases: Cases, request: Request, looks: Looks | None = None, rolls: str = ""
) -> Limits:
    """Return the limits that a table of cases supports; parameters as `judge_cells`, `Limits`."""
    cells = judge_cells(cases, request, looks)
    phase = grid_phase(cases, request.within_deg)
    return Limits(request, cells, _ranges(cells), _bands(cells), phase, rolls)


def _ranges(cells: pl.DataFrame) -> pl.DataFrame:
    by = ["pipeline", "turn_deg", "pitch_deg"]
    nearest = cells["range_m"].min()
    rows = [_range_limit(group, nearest) for group in _groups(cells, by, "range_m")]
    return pl.DataFrame(rows, schema=RANGE_SCHEMA).sort(by)


def _range_limit(cells: list[Cell], nearest_m: object) -> Cell:
    """Return the limit along one tilt; cells come in order of range.

    `nearest_m` is the shortest range of the survey: an adaptive one doesn't test it at tilts
    between those that it was given.
    """
    held = list(takewhile(lambda cell: cell["verdict"] == HOLDS, cells))
    ended_by = cells[len(held)] if len(held) < len(cells) else None
    row: Cell = {
        name: cells[0][name] for name in ("pipeline", "turn_deg", "pitch_deg", "tilt_deg")
    }
    first = cells[0]["range_m"]
    row["shortest_tested_m"] = first
    untested = "" if first == nearest_m else f"; nothing nearer than {number(first)} m was tested"
    row |= {"all_tested": ended_by is None, "longest_range_m": None, "n_needed": None}
    if ended_by is not None:
        row |= {
            "next_range_m": ended_by["range_m"],
            "next_verdict": ended_by["verdict"],
            "n_needed": ended_by["n_needed"],
        }
    ending = "" if ended_by is None else _ending(ended_by)
    if held:
        longest = held[-1]["range_m"]
        beyond = ending or GRID_END
        return row | {
            "verdict": HOLDS,
            "longest_range_m": longest,
            "words": f"{number(longest)} m ({beyond}{untested})",
        }
    assert ended_by is not None
    verdict = NONE if ended_by["verdict"] == FAILS else UNDECIDED
    return row | {"verdict": verdict, "words": f"{verdict} ({ending}{untested})"}


def _ending(cell: Cell) -> str:
    verb = "fails" if cell["verdict"] == FAILS else "undecided"
    return f"{verb} at {number(cell['range_m'])} m: {cell['words']}"


def _bands(cells: pl.DataFrame) -> pl.DataFrame:
    along, other = ("turn", "pitch")
    if cells["turn_deg"].n_unique() == 1 and cells["pitch_deg"].n_unique() > 1:
        along, other = other, along
    by = ["pipeline", "range_m", f"{other}_deg"]
    rows: list[Cell] = []
    for group in _groups(cells, by, f"{along}_deg"):
        start: Cell = {name: group[0][name] for name in ("pipeline", "range_m")}
        start |= {"along": along, "at_deg": group[0][f"{other}_deg"]}
        rows += [start | band for band in _bands_along(group, along)]
    return pl.DataFrame(rows, schema=BAND_SCHEMA).sort("pipeline", "range_m", "at_deg", "from_deg")


def _bands_along(cells: list[Cell], along: str) -> list[Cell]:
    """Return the runs of holding cells; cells come in order of their angle."""
    angle = f"{along}_deg"
    runs: list[list[Cell]] = []
    open_run = False
    for cell in cells:
        if cell["verdict"] == HOLDS:
            if open_run:
                runs[-1].append(cell)
            else:
                runs.append([cell])
        open_run = cell["verdict"] == HOLDS
    if runs:
        return [
            {
                "verdict": HOLDS,
                "from_deg": run[0][angle],
                "to_deg": run[-1][angle],
                "words": _band_words(along, run[0][angle], run[-1][angle]),
            }
            for run in runs
        ]
    undecided = [cell for cell in cells if cell["verdict"] == UNDECIDED]
    # the cell that came nearest speaks for all: the most successes, then the most usable
    nearest = min(undecided or cells, key=_distance)
    verdict = UNDECIDED if undecided else NONE
    words = f"{verdict} (nearest, {along} {number(nearest[angle])} deg: {nearest['words']})"
    return [{"verdict": verdict, "n_needed": nearest["n_needed"], "words": words}]


def _band_words(along: str, first: float, last: float) -> str:
    to = "" if first == last else f" to {number(last)}"
    return f"{along} {number(first)}{to} deg"


def _distance(cell: Cell) -> tuple[float, float]:
    return -cell["success_rate"], -cell["n_ok"] / cell["n"]


def _groups(cells: pl.DataFrame, by: list[str], order: str) -> Iterator[list[Cell]]:
    for group in cells.sort(*by, order).partition_by(by, maintain_order=True):
        yield group.to_dicts()
