"""Executors of a survey's chunks: this process, or processes of their own.

An executor may take chunks in any order and return results in any order: a case's numbers
depend on its key alone.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from typing import Protocol

from bench.processes import Stop, pooled, process_pool
from bench.survey.worker import Chunk, ChunkResult, Job, Worker


class Crew(Protocol):
    """Workers that are ready for one job's chunks."""

    def run(self, chunks: Iterable[Chunk], stop: Stop) -> Iterator[ChunkResult]:
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

    def run(self, job: Job, chunks: Iterable[Chunk], stop: Stop) -> Iterator[ChunkResult]:
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

    def run(self, chunks: Iterable[Chunk], stop: Stop) -> Iterator[ChunkResult]:
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
        with process_pool(self.workers, _start_worker, job) as pool:
            yield _Processes(pool, self.workers)


@dataclass(frozen=True)
class _Processes:
    pool: ProcessPoolExecutor
    workers: int

    def run(self, chunks: Iterable[Chunk], stop: Stop) -> Iterator[ChunkResult]:
        """Yield the chunks' results as they come; see `Crew.run`."""
        return pooled(self.pool, self.workers, _run_chunk, chunks, stop)


_worker: Worker | None = None


def _start_worker(job: Job) -> None:
    global _worker
    _worker = Worker(job)


def _run_chunk(chunk: Chunk) -> ChunkResult:
    assert _worker is not None
    return _worker.run(chunk)
