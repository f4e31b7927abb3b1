"""Executors of a survey's chunks: this process, or processes of their own.

An executor may take chunks in any order and return results in any order: a case's numbers
depend on its key alone.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from itertools import islice
from multiprocessing.connection import wait as wait_for
from typing import Protocol

from bench.errors import RunError
from bench.survey.worker import ChunkResult, Job, Worker

# Threads of every library that a worker uses: one, so that results don't depend on how work
# was shared out, and workers don't fight for cores.
ONE_THREAD = dict.fromkeys(
    (
        "OMP_NUM_THREADS",
        "OPENBLAS_NUM_THREADS",
        "MKL_NUM_THREADS",
        "VECLIB_MAXIMUM_THREADS",
        "NUMBA_NUM_THREADS",
        "POLARS_MAX_THREADS",
    ),
    "1",
)
# Chunks waiting at each worker, so that none runs dry while a result is written.
QUEUED_CHUNKS = 2

Stop = Callable[[], bool]


class Crew(Protocol):
    """Workers that are ready for one job's chunks."""

    def run(self, chunks: Iterable[Sequence[int]], stop: Stop) -> Iterator[ChunkResult]:
        """Yield the chunks' results as they come.

        Once `stop()` is true no further chunk is started; those begun are finished and
        yielded, unless their workers are ended too.

        Raises
        ------
        RunError
            A worker died.
        """
        ...


class Executor(ABC):
    """Runs chunks of cases; a cluster's scheduler can stand behind it."""

    @abstractmethod
    def crew(self, job: Job) -> AbstractContextManager[Crew]:
        """Return workers for a job, there as long as the context is."""

    def run(self, job: Job, chunks: Iterable[Sequence[int]], stop: Stop) -> Iterator[ChunkResult]:
        """Yield the chunks' results as a crew of its own does; see `Crew.run`."""
        with self.crew(job) as crew:
            yield from crew.run(chunks, stop)


class InlineExecutor(Executor):
    """Runs chunks in this process."""

    @contextmanager
    def crew(self, job: Job) -> Iterator[Crew]:
        """Return a worker of this process."""
        yield _Inline(Worker(job))


@dataclass(frozen=True)
class _Inline:
    worker: Worker

    def run(self, chunks: Iterable[Sequence[int]], stop: Stop) -> Iterator[ChunkResult]:
        """Yield the chunks' results in order."""
        for chunk in chunks:
            if stop():
                return
            yield self.worker.run(chunk)


@dataclass(frozen=True)
class ProcessExecutor(Executor):
    """Runs chunks in local processes, started afresh so that they share nothing.

    Attributes
    ----------
    workers : int
        How many.
    """

    workers: int

    @contextmanager
    def crew(self, job: Job) -> Iterator[Crew]:
        """Return processes, ended with the context."""
        pool = ProcessPoolExecutor(
            self.workers, multiprocessing.get_context("spawn"), _start_worker, (job,)
        )
        try:
            yield _Processes(pool, self.workers)
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


@dataclass(frozen=True)
class _Processes:
    pool: ProcessPoolExecutor
    workers: int

    def run(self, chunks: Iterable[Sequence[int]], stop: Stop) -> Iterator[ChunkResult]:
        """Yield the chunks' results as they come; see `Crew.run`."""
        rest = iter(chunks)
        try:
            # the first submission starts all processes, and they inherit the environment
            with _environment(ONE_THREAD):
                pending = self._submit(islice(rest, QUEUED_CHUNKS * self.workers))
            while pending:
                done, pending = wait(pending, timeout=0.2, return_when=FIRST_COMPLETED)
                if stop():
                    pending = {future for future in pending if not future.cancel()}
                else:
                    pending |= self._submit(islice(rest, len(done)))
                for future in done:
                    yield future.result()
        except BrokenProcessPool as error:
            if ended_too(stop):
                return
            raise RunError(
                "a worker process died: out of memory, killed, or started from a script without "
                "if __name__ == '__main__'; what was finished is kept"
            ) from error

    def _submit(self, chunks: Iterable[Sequence[int]]) -> set[Future[ChunkResult]]:
        return {self.pool.submit(_run_chunk, chunk) for chunk in chunks}


def ended_too(stop: Stop) -> bool:
    """Tell whether workers died of what stops this process: a signal to all of a group."""
    time.sleep(0.2)  # it comes to each in its own time
    return stop()


_worker: Worker | None = None


def _start_worker(job: Job) -> None:
    """Prepare a fresh process: one thread, deaf to Ctrl-C, gone when its parent is."""
    global _worker
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides what an interrupt means
    threading.Thread(target=_die_with_parent, daemon=True).start()
    _worker = Worker(job)


def _run_chunk(indices: Sequence[int]) -> ChunkResult:
    assert _worker is not None
    return _worker.run(indices)


def _die_with_parent() -> None:
    """Wait for the parent's end, however it comes, then leave at once."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait_for([parent.sentinel])
        os._exit(1)


@contextmanager
def _environment(values: dict[str, str]) -> Iterator[None]:
    """Set environment variables for the processes started meanwhile."""
    before = {name: os.environ.get(name) for name in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
