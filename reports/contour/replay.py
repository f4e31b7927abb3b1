"""The adaptive rule played over recorded cases, beside the full grid's decision on the same.

The full grid is run once, with every trial. Whoever asks for a case gets its recorded row: the
rule sees the pictures that the full grid saw. Further surveys are drawn from the record: trial t
of a cell is then any of its recorded trials, with replacement. For these the recorded cases are
the population, so that the truth about a cell is known exactly.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import polars as pl

from bench.processes import Stop
from bench.survey.contour import Cell, Contour, Verdicts, implied_verdicts, judge
from bench.survey.contour_run import run_contour
from bench.survey.executors import Crew, Executor
from bench.survey.plan import Plan
from bench.survey.store import RunStore, read_cases
from bench.survey.verdicts import FAILS, HOLDS, Request
from bench.survey.worker import INDEX, PART_SCHEMA, ChunkResult, Job
from bench.typing import IntArray

CHUNK = 1_000_000  # a round's cases at once
NAMED = ("key", "trial")  # what tells a drawn case from the recorded one that answers for it


@dataclass(frozen=True, eq=False)
class Record:
    """A full grid's recorded cases, one row a picture and pipeline.

    Attributes
    ----------
    plan : Plan
        The full grid.
    rows : polars.DataFrame
        `bench.survey.worker.PART_SCHEMA`, in order of index and pipeline.
    source : (n_pictures,) int64 or None
        Which recorded picture answers for each of the plan's; None is itself.
    """

    plan: Plan
    rows: pl.DataFrame
    source: IntArray | None = None

    def answer(self, indices: Sequence[int]) -> pl.DataFrame:
        """Return the rows of the pictures with these indices."""
        n = len(self.plan.pipelines)
        asked = np.asarray(indices, dtype=np.int64)
        from_ = asked if self.source is None else self.source[asked]
        places = (from_[:, None] * n + np.arange(n)).ravel()
        found = self.rows[places]
        if self.source is None:
            return found
        names = self._names[asked]
        again = [names[column].gather(np.repeat(np.arange(len(asked)), n)) for column in NAMED]
        return found.with_columns(pl.Series(INDEX, np.repeat(asked, n)), *again)

    @cached_property
    def _names(self) -> pl.DataFrame:
        return self.rows[:: len(self.plan.pipelines)].select(NAMED)

    def drawn(self, rng: np.random.Generator) -> Record:
        """Return a survey drawn from this one: each cell's trials with replacement."""
        cells = self.plan.n_pictures // self.plan.trials  # trials run slowest
        trials = rng.integers(self.plan.trials, size=(self.plan.trials, cells))
        return Record(self.plan, self.rows, (trials * cells + np.arange(cells)).ravel())


def record_of(plan: Plan, cases: pl.DataFrame) -> Record:
    """Return a finished run's cases as they were when its workers gave them."""
    places = {plan.case(i).key: i for i in range(plan.n_pictures)}
    rows = cases.with_columns(
        pl.col("key").replace_strict(places, return_dtype=pl.Int64).alias(INDEX)
    )
    missing = [pl.lit(None, kind).alias(n) for n, kind in PART_SCHEMA.items() if n not in rows]
    return Record(
        plan, rows.with_columns(missing).select(list(PART_SCHEMA)).sort(INDEX, "pipeline")
    )


@dataclass(frozen=True, eq=False)
class RecordExecutor(Executor):
    """Answers from a record instead of making pictures."""

    record: Record

    @contextmanager
    def crew(self, job: Job) -> Iterator[Crew]:
        """Return the record as a crew."""
        yield _Reader(self.record)


@dataclass(frozen=True, eq=False)
class _Reader:
    record: Record

    def run(self, chunks: Iterable[Sequence[int]], stop: Stop) -> Iterator[ChunkResult]:
        """Yield the chunks' recorded rows."""
        for chunk in chunks:
            buffer = io.BytesIO()
            self.record.answer(chunk).write_parquet(buffer, compression="uncompressed")
            yield ChunkResult(tuple(chunk), buffer.getvalue())


@dataclass(frozen=True, eq=False)
class Adaptive:
    """What the adaptive rule came to.

    Attributes
    ----------
    pictures : int
        That it asked for.
    trials : dict
        Of each cell that it looked at.
    tested : dict
        Their verdicts.
    implied : dict
        Verdicts of all cells: tested, or between tested ones that agree.
    """

    pictures: int
    trials: dict[Cell, int]
    tested: Verdicts
    implied: Verdicts


def adaptive(job: Job, contour: Contour, record: Record) -> Adaptive:
    """Return what the rule of `sightbench contour` finds on a record, by its own code."""
    with TemporaryDirectory() as folder:
        store = RunStore(Path(folder), contour.as_dict())
        report = run_contour(job, contour, store, RecordExecutor(record), CHUNK)
        spent = read_cases(store.directory).filter(pl.col("pipeline") == contour.plan.pipelines[0])
    trials: dict[Cell, int] = {}
    for r, t, p, n in spent.group_by("range_m", "turn_deg", "pitch_deg").len().iter_rows():
        trials[_cell(contour.plan, r, t, p)] = n
    implied = implied_verdicts(contour, report.verdicts)
    return Adaptive(report.run.added, trials, report.verdicts, implied)


def full_grid(contour: Contour, record: Record) -> Verdicts:
    """Return the full grid's verdicts: every cell judged once, after all trials."""
    once = Contour(contour.plan, 0, (contour.plan.trials,), contour.request)
    return judge(record.answer(range(record.plan.n_pictures)), once)


def truth_of(record: Record, request: Request) -> Verdicts:
    """Return what holds of a record's cells when its cases are all there are."""
    plan = record.plan
    within = (pl.col("outcome") == "ok") & (pl.col("err_rot_deg").abs() <= request.within_deg)
    cells = record.rows.group_by("pipeline", "range_m", "turn_deg", "pitch_deg").agg(
        within.fill_null(False).mean().alias("rate")
    )
    found: Verdicts = {}
    for pipeline, r, t, p, rate in cells.iter_rows():
        holds = rate >= request.success
        found.setdefault(_cell(plan, r, t, p), {})[pipeline] = HOLDS if holds else FAILS
    return found


def reach(plan: Plan, verdicts: Verdicts, pipeline: str) -> list[float | None]:
    """Return the longest range for each turn up to which every cell holds, metres; None: none."""
    found: list[float | None] = []
    for turn in range(len(plan.turns_deg)):
        longest = None
        for r, range_m in enumerate(plan.ranges_m):
            if verdicts[r, turn, 0][pipeline] != HOLDS:
                break
            longest = range_m
        found.append(longest)
    return found


def _cell(plan: Plan, range_m: float, turn_deg: float, pitch_deg: float) -> Cell:
    return (
        plan.ranges_m.index(range_m),
        plan.turns_deg.index(turn_deg),
        plan.pitches_deg.index(pitch_deg),
    )
