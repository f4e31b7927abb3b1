"""The drawing on a plate that holds a tolerance farthest, and how sure that is.

A drawing with a pipeline is credited with the cells of range and tilt that lie within its
limits: at each tilt every tested range up to the longest that holds. Cells that more trials
might add, because no range before them fails, are counted apart: a drawing is the best of all
only where what it surely holds is at least what any other possibly holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import takewhile
from typing import Any

import polars as pl

from bench.choice.candidates import Candidate
from bench.choice.paired_errors import PairedErrorRatio, paired_error_ratio
from bench.survey.cells import CELL, summarise
from bench.survey.columns import OUTCOMES
from bench.survey.limits import NONE, Limits, find_limits
from bench.survey.pieces import Cases, pieces_of
from bench.survey.verdicts import FAILS, HOLDS, UNDECIDED, Request, judge_rate

CHOICE_SCHEMA: dict[str, type[pl.DataType]] = {
    "candidate": pl.String,
    "pipeline": pl.String,
    "turn_deg": pl.Float64,
    "pitch_deg": pl.Float64,
    "tilt_deg": pl.Float64,
    "n": pl.Int64,  # pictures a cell
    "verdict": pl.String,  # holds, none or undecided
    "longest_range_m": pl.Float64,  # null unless the verdict is holds
    "possible_range_m": pl.Float64,  # up to which no tested range fails; null where the first does
    "all_tested": pl.Boolean,  # whether the longest range tested holds
    "ends_at_m": pl.Float64,  # the range that ends the limit
    "ended_by": pl.String,  # rotation error, missed targets, …, or undecided
    "cells": pl.Int64,  # ranges tested
    "cells_held": pl.Int64,  # of them, those within the limit
    "cells_possible": pl.Int64,  # those that no failing range precedes
    "n_needed": pl.Int64,  # pictures that would decide the range that ends the limit
    "words": pl.String,
}

FAILURE_WORDS = {
    "missed": "missed targets",
    "wrong_id": "wrong ids",
    "mirrored": "mirrored poses",
    "ambiguous": "ambiguous poses",
    "not_finite": "poses that aren't finite",
    "unexplained": "poses that their pictures contradict",
}


@dataclass(frozen=True, eq=False)
class Surveyed:
    """A candidate with its finished survey: table of cases, cells and limits."""

    candidate: Candidate
    cases: Cases
    cells: pl.DataFrame
    limits: Limits

    @classmethod
    def of(cls, candidate: Candidate, cases: Cases, request: Request, rolls: str = "") -> Surveyed:
        """Return the survey that a table of cases tells of; `rolls` as `Limits` has them."""
        limits = find_limits(cases, request, rolls=rolls)
        return cls(candidate, cases, summarise(cases), limits)


@dataclass(frozen=True)
class Standing:
    """How many cells a drawing holds with its best pipeline.

    Attributes
    ----------
    candidate, pipeline : str
        The drawing's name, and the pipeline that holds most.
    held : int
        Cells within the limits of that pipeline.
    possible : int
        Cells that the drawing may hold, with any of its pipelines.
    total : int
        Cells of the grid.
    """

    candidate: str
    pipeline: str
    held: int
    possible: int
    total: int


@dataclass(frozen=True)
class Ranking:
    """Drawings from best to worst, and how sure the first place is.

    Attributes
    ----------
    standings : tuple of Standing
        The best first.
    rivals : tuple of Standing
        Those that may hold more cells than the first surely does.
    equals : tuple of Standing
        Those that hold as many cells as the first, and no more.
    ratios : dict of str to PairedErrorRatio
        By candidate: the first one's error over the candidate's.
    """

    standings: tuple[Standing, ...]
    rivals: tuple[Standing, ...]
    equals: tuple[Standing, ...]
    ratios: dict[str, PairedErrorRatio]

    @property
    def best(self) -> Standing | None:
        """The first, or None where no drawing surely holds any cell."""
        return self.standings[0] if self.standings[0].held else None


@dataclass(frozen=True, eq=False)
class Choice:
    """What surveys of several drawings say about a tolerance.

    Attributes
    ----------
    request : Request
        The question.
    surveyed : tuple of Surveyed
        In the order given.
    table : polars.DataFrame
        One row for each drawing, pipeline and tilt (`CHOICE_SCHEMA`).
    ranking : Ranking
        Each drawing with its best pipeline.
    """

    request: Request
    surveyed: tuple[Surveyed, ...]
    table: pl.DataFrame
    ranking: Ranking

    @property
    def verdict(self) -> str:
        """As `Limits.verdict`, over all drawings."""
        found = {s.limits.verdict for s in self.surveyed}
        return next((v for v in (HOLDS, UNDECIDED) if v in found), NONE)


def choose_drawing(surveyed: Sequence[Surveyed], request: Request) -> Choice:
    """Compare drawings that were surveyed with the same views and seed."""
    table = pl.concat([choice_rows(s) for s in surveyed])
    return Choice(request, tuple(surveyed), table, rank(surveyed, table))


def solver_of(pipeline: str) -> str:
    """Return the solver's part of a pipeline's name."""
    return pipeline.rpartition("/")[2]


def choice_rows(surveyed: Surveyed) -> pl.DataFrame:
    """Return one candidate's rows of the table."""
    counts = surveyed.cells.select(*CELL, *(f"n_{outcome}" for outcome in OUTCOMES[1:]))
    cells = surveyed.limits.cells.join(counts, on=CELL, maintain_order="left").sort(CELL)
    by = ["pipeline", "turn_deg", "pitch_deg"]
    rows = []
    for limit in surveyed.limits.ranges.iter_rows(named=True):
        here = cells.filter(*(pl.col(name) == limit[name] for name in by)).to_dicts()
        row = _row(limit, here, surveyed.limits.request)
        rows.append({"candidate": surveyed.candidate.name} | row)
    return pl.DataFrame(rows, schema=CHOICE_SCHEMA)


def _row(limit: dict[str, Any], cells: list[dict[str, Any]], request: Request) -> dict[str, Any]:
    """Return the row of one limit; cells come in order of range."""
    held = list(takewhile(lambda cell: cell["verdict"] == HOLDS, cells))
    possible = list(takewhile(lambda cell: cell["verdict"] != FAILS, cells))
    ending = cells[len(held)] if len(held) < len(cells) else None
    kept = ("pipeline", "turn_deg", "pitch_deg", "tilt_deg", "verdict", "longest_range_m")
    row = {name: limit[name] for name in (*kept, "all_tested", "n_needed", "words")}
    return row | {
        "n": min(cell["n"] for cell in cells),
        "possible_range_m": possible[-1]["range_m"] if possible else None,
        "ends_at_m": ending and ending["range_m"],
        "ended_by": ending and ending_words(ending, request),
        "cells": len(cells),
        "cells_held": len(held),
        "cells_possible": len(possible),
    }


def ending_words(cell: dict[str, Any], request: Request) -> str:
    """Say what ends a limit at a cell: its error, how most of its poses fail, or both.

    What would end it without the other is named; of two that only do so together, the larger.
    """
    if cell["verdict"] != FAILS:
        return UNDECIDED
    n, unusable, beyond = cell["n"], cell["n"] - cell["n_ok"], cell["n_ok"] - cell["n_within"]
    kind = max(FAILURE_WORDS, key=lambda outcome: cell[f"n_{outcome}"])
    causes = {FAILURE_WORDS[kind]: unusable, "rotation error": beyond}
    alone = [c for c, k in causes.items() if judge_rate(n - k, n, request).verdict == FAILS]
    return " and ".join(alone) or max(causes, key=lambda cause: causes[cause])


def rank(surveyed: Sequence[Surveyed], table: pl.DataFrame) -> Ranking:
    """Order drawings by the cells that they hold; of those that hold most, the best errs least.

    Where an interval of the ratio of errors doesn't tell two of them apart, the one that may
    hold more comes first, else the one given first.

    Parameters
    ----------
    surveyed : sequence of Surveyed
        For the errors of single pictures.
    table : polars.DataFrame
        Rows (`CHOICE_SCHEMA`) of the pipelines that count.
    """
    standings = sorted(_standings(table), key=lambda s: (-s.held, -s.possible))
    by_name = {s.candidate.name: s for s in surveyed}

    def ratio(a: Standing, b: Standing) -> PairedErrorRatio | None:
        return paired_error_ratio(
            (
                _cases_within(by_name[a.candidate], a.pipeline, table, range_m),
                _cases_within(by_name[b.candidate], b.pipeline, table, range_m),
            )
            for range_m in by_name[a.candidate].cells["range_m"].unique().sort()
        )

    best = standings[0]
    for other in standings[1:]:
        if other.held == best.held > 0:
            compared = ratio(best, other)
            if compared is not None and compared.low > 1.0:
                best = other
    others = [s for s in standings if s is not best]
    ratios = {s.candidate: found for s in others if (found := ratio(best, s)) is not None}
    rivals = tuple(s for s in others if s.possible > best.held)
    equals = tuple(s for s in others if s.held == best.held and s not in rivals)
    return Ranking((best, *others), rivals, equals, ratios)


def _standings(table: pl.DataFrame) -> list[Standing]:
    sums = table.group_by("candidate", "pipeline", maintain_order=True).agg(
        pl.col("cells_held", "cells_possible", "cells").sum()
    )
    found = []
    for (candidate,), rows in sums.group_by("candidate", maintain_order=True):
        best = rows.sort("cells_held", "cells_possible", descending=True, maintain_order=True)
        first = best.row(0, named=True)
        possible = int(rows["cells_possible"].to_numpy().max())
        found.append(
            Standing(
                str(candidate), first["pipeline"], first["cells_held"], possible, first["cells"]
            )
        )
    return found


def _cases_within(
    surveyed: Surveyed, pipeline: str, table: pl.DataFrame, range_m: float
) -> pl.DataFrame:
    """Return a pipeline's cases of one range in the cells within its limits."""
    limits = table.filter(
        pl.col("candidate") == surveyed.candidate.name, pl.col("pipeline") == pipeline
    ).select("turn_deg", "pitch_deg", "longest_range_m")
    within = limits.filter(pl.col("longest_range_m") >= range_m)
    return pl.concat(
        piece.filter(pl.col("pipeline") == pipeline)
        .select("key", *CELL, "outcome", "err_rot_deg")
        .collect()
        .join(within, on=["turn_deg", "pitch_deg"])
        for piece in pieces_of(surveyed.cases, range_m)
    )
