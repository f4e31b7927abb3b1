"""Running a survey along a tolerance's contour: rounds of cells and looks until all is decided.

What a round runs depends on the verdicts of those before, and these on the cases' keys alone:
an interrupted run, given again, plays its finished rounds over from what is kept and goes on.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from time import perf_counter

import numpy as np
import polars as pl

from bench.defaults import CHUNK
from bench.processes import Stop
from bench.survey.cells import NEEDED
from bench.survey.contour import (
    Cell,
    Contour,
    Verdicts,
    indices_of,
    judge,
    left_open,
    refined_cells,
    start_cells,
)
from bench.survey.executors import Crew, Executor
from bench.survey.joining import VIEW
from bench.survey.run import (
    Progress,
    RunReport,
    check_pipelines,
    chunks_of,
    never,
    silent,
)
from bench.survey.setting import check_plan
from bench.survey.store import RunStore, open_cases, row_numbers
from bench.survey.worker import Chunk, Job, Some
from bench.typing import BoolArray, IntArray


@dataclass(frozen=True)
class ContourReport:
    """What a call of `run_contour` did.

    Attributes
    ----------
    run : RunReport
        Pictures found, added, and wanted as far as is known.
    complete : bool
        Whether the contour is found and the final tables are written.
    verdicts : dict
        Of the cells tested, for each pipeline.
    """

    run: RunReport
    complete: bool
    verdicts: Verdicts


class _StopAskedError(Exception):
    """The user asked to stop."""


def run_contour(
    job: Job,
    contour: Contour,
    store: RunStore,
    executor: Executor,
    chunk: int = CHUNK,
    progress: Progress = silent,
    stop: Stop = never,
) -> ContourReport:
    """Find a contour, as far as what is kept in the store doesn't yet.

    Parameters
    ----------
    job : Job
        Its plan is the contour's.
    contour : Contour
        Where to start, how far to refine, how often to look.
    store : RunStore
        Its rule is the contour's.
    executor, chunk, progress, stop
        As in `bench.survey.run.run_survey`; the total grows as cells are added.

    Raises
    ------
    ConfigError, PlugInError, RunError
        As `run_survey`.
    """
    check_plan(contour.plan, job.setting)
    check_pipelines(job)
    store.begin(contour.plan)
    if store.is_complete(contour.plan):
        store.finish(contour.plan)  # a killed run may have left some of its parts
        cases = open_cases(store.directory)
        keys = (piece.select(pl.col("key").n_unique()).collect() for piece in cases.pieces())
        pictures = sum(int(n.item()) for n in keys)
        report = RunReport(pictures, 0, pictures, 0.0)
        return ContourReport(report, True, judge(cases, contour))
    with executor.crew(job) as crew:
        rounds = _Rounds(contour, store, crew, chunk, progress, stop)
        try:
            verdicts = rounds.find()
        except _StopAskedError:
            return ContourReport(rounds.report(), False, rounds.verdicts)
    store.finish(contour.plan, rounds.wanted)
    return ContourReport(rounds.report(), True, verdicts)


class _Rounds:
    """The rounds of one call, and what they have done so far."""

    def __init__(
        self,
        contour: Contour,
        store: RunStore,
        crew: Crew,
        chunk: int,
        progress: Progress,
        stop: Stop,
    ) -> None:
        self.contour, self.store = contour, store
        self.crew, self.chunk = crew, chunk
        self.progress, self.stop = progress, stop
        self.found = store.kept(contour.plan)
        self.done = np.zeros(contour.plan.n_rows, dtype=np.bool_)
        for rows in self.found.values():
            self.done[rows] = True
        self.wanted = np.zeros_like(self.done)
        self.before = self.done.copy()
        self.verdicts: Verdicts = {}
        self.failures: dict[str, str] = {}
        self.start = perf_counter()

    def find(self) -> Verdicts:
        """Test the given grid, then squares that the contour crosses, level by level."""
        self._decide(start_cells(self.contour))
        for level in range(self.contour.levels):
            while cells := refined_cells(self.contour, level, self.verdicts):
                self._decide(cells)
        return self.verdicts

    def report(self) -> RunReport:
        """Return what this call did."""
        found = self._pictures(self.before & self.wanted)
        now = self._pictures(self.done & self.wanted)
        total = self._pictures(self.wanted)
        return RunReport(found, now - found, total, perf_counter() - self.start, self.failures)

    def _decide(self, cells: Sequence[Cell]) -> None:
        """Look at cells, again and again at those undecided, until the looks are used up."""
        left = dict.fromkeys(cells, self.contour.plan.pipelines)
        seen, before = pl.DataFrame(), 0
        for trials in self.contour.looks:
            # what is undecided stays at hand, so that no look reads what an earlier one did
            seen = pl.concat([seen, *self._run(left, before, trials)])
            self.verdicts |= judge(seen, self.contour)
            left, before = left_open(left, self.verdicts), trials
            if not left:
                return
            seen = seen.join(self._places(left), on=VIEW, how="semi", maintain_order="left")

    def _first(self, trial: int) -> int:
        """Return the index of a trial's first case: trials run slowest in a plan."""
        return trial * (self.contour.plan.n_pictures // self.contour.plan.trials)

    def _places(self, cells: Iterable[Cell]) -> pl.DataFrame:
        plan = self.contour.plan
        axes = (plan.ranges_m, plan.turns_deg, plan.pitches_deg)
        at = [[axis[i] for axis, i in zip(axes, cell, strict=True)] for cell in cells]
        return pl.DataFrame(at, schema=VIEW, orient="row")

    def _run(
        self, cells: Mapping[Cell, tuple[str, ...]], before: int, trials: int
    ) -> Iterator[pl.DataFrame]:
        """Run trials of cells by their pipelines, what isn't kept yet; iterate over all rows."""
        plan = self.contour.plan
        kept: list[IntArray] = []
        chunks: list[Chunk] = []
        asked = np.zeros_like(self.wanted)
        for names in dict.fromkeys(cells.values()):
            own = [cell for cell, pipelines in cells.items() if pipelines == names]
            indices = np.array(indices_of(plan, own, trials), dtype=np.int64)
            indices = indices[indices >= self._first(before)]
            which = [plan.pipelines.index(name) for name in names]
            rows = indices[:, None] * len(plan.pipelines) + which
            asked[rows] = True
            whole = self.done[rows].all(axis=1)
            kept.append(rows[whole].ravel())
            for part in chunks_of(indices[~whole].tolist(), self.chunk):
                chunks.append(part if names == plan.pipelines else Some(tuple(part), names))
        self.wanted |= asked
        self._tell()
        there = np.concatenate(kept)
        if len(there):
            yield self.store.cases_at(there, NEEDED, self.found, plan)
        for result in self.crew.run(chunks, self.stop):
            self.store.append(result)
            for pipeline, text in result.failures.items():
                self.failures.setdefault(pipeline, text)
            rows_now = pl.read_parquet(result.part)
            self.done[row_numbers(rows_now, plan)] = True
            self._tell()
            yield rows_now.select(NEEDED)
        if not self.done[asked].all():
            raise _StopAskedError

    def _pictures(self, rows: BoolArray) -> int:
        """Return of how many pictures there are rows."""
        whole = rows.reshape(self.contour.plan.n_pictures, -1)
        return int(np.count_nonzero(whole.any(axis=1)))

    def _tell(self) -> None:
        self.progress(self._pictures(self.done & self.wanted), self._pictures(self.wanted))
