"""One driver's cost a case, and the cores that it could feed: a replay without compute.

Workers' results are made before the clock starts and arrive as a pool's do, pickled; the driver
hands out chunks, unpickles, writes and counts, then joins. Its processor time a case, held against
a worker's, is how many cores it keeps busy.
"""

from __future__ import annotations

import pickle
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

import polars as pl

from bench.processes import Stop
from bench.survey.executors import Crew, Executor
from bench.survey.pieces import packed
from bench.survey.run import run_survey
from bench.survey.store import RunStore
from bench.survey.worker import INDEX, Chunk, ChunkResult, Job, Some, Worker
from reports.throughput.setting import Options
from reports.throughput.surveys import job_of_grid

CHUNKS, TRIALS = (64, 1024), 86


@dataclass(frozen=True)
class _Replay(Executor):
    """A crew whose results were made before, by their first index."""

    payloads: dict[int, bytes]
    finished: list[float]

    @contextmanager
    def crew(self, job: Job) -> Iterator[Crew]:
        """Return a crew that has no work."""
        yield _Replayed(self)


@dataclass(frozen=True)
class _Replayed:
    replay: _Replay

    def run(self, chunks: Iterable[Chunk], stop: Stop) -> Iterator[ChunkResult]:
        """Yield what a pool would have sent."""
        for chunk in chunks:
            assert not isinstance(chunk, Some)  # a whole survey's
            yield pickle.loads(self.replay.payloads[chunk[0]])
        self.replay.finished.append(process_time())


def measure(options: Options) -> dict[str, Any]:
    """Return the driver's time a case by chunk, of joining, and a worker's."""
    job = job_of_grid(TRIALS)
    worker, total = Worker(job), job.plan.n_pictures
    worker.run(range(16))
    start = process_time()
    some = pl.read_parquet(worker.run(range(16, 80)).part)
    case_ms = 1e3 * (process_time() - start) / 64
    found: dict[str, Any] = {"pictures": total, "worker_ms": case_ms, "chunks": {}}
    for size in CHUNKS:
        payloads = {}
        for first in range(0, total, size):
            indices = range(first, min(first + size, total))
            rows = pl.concat([some] * (len(indices) // len(some) + 1)).head(len(indices))
            rows = rows.with_columns(
                pl.Series(INDEX, indices),
                key=pl.Series([job.plan.case(i).key for i in indices]),
            )
            payloads[first] = pickle.dumps(ChunkResult(tuple(indices), packed(rows)))
        with tempfile.TemporaryDirectory() as folder:
            finished: list[float] = []
            wall, start = perf_counter(), process_time()
            executor = _Replay(payloads, finished)
            run_survey(job, RunStore(Path(folder)), executor, chunk=size)
            joined = 1e3 * (process_time() - finished[0]) / total
            driver = 1e3 * (finished[0] - start) / total
            found["chunks"][str(size)] = {
                "driver_ms": driver,
                "join_ms": joined,
                "wall_ms": 1e3 * (perf_counter() - wall) / total,
                "cores": case_ms / driver,
            }
    return found
