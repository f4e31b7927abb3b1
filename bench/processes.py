"""Processes that share out work: started afresh, one thread each, gone when their parent is."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from itertools import islice
from multiprocessing.connection import wait as wait_for
from typing import Any, TypeVar

from bench.errors import RunError

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
Chunk = TypeVar("Chunk")
Result = TypeVar("Result")


@contextmanager
def process_pool(workers: int, start: Callable[..., None], *args: Any) -> Iterator[Any]:
    """Hold processes, each prepared by ``start(*args)`` and deaf to Ctrl-C; see `pooled`."""
    pool = ProcessPoolExecutor(
        workers, multiprocessing.get_context("spawn"), _prepare, (start, *args)
    )
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def pooled(
    pool: ProcessPoolExecutor,
    workers: int,
    work: Callable[[Chunk], Result],
    chunks: Iterable[Chunk],
    stop: Stop,
) -> Iterator[Result]:
    """Yield ``work(chunk)`` of a pool's processes as each is done, in any order.

    Once `stop()` is true no further chunk is started; those begun are finished and yielded,
    unless their processes are ended too.

    Raises
    ------
    RunError
        A process died.
    """
    rest = iter(chunks)
    try:
        # the first submission starts all processes, and they inherit the environment
        with _environment(ONE_THREAD):
            pending = {pool.submit(work, chunk) for chunk in islice(rest, QUEUED_CHUNKS * workers)}
        while pending:
            done, pending = wait(pending, timeout=0.2, return_when=FIRST_COMPLETED)
            if stop():
                pending = {future for future in pending if not future.cancel()}
            else:
                pending |= {pool.submit(work, chunk) for chunk in islice(rest, len(done))}
            for future in done:
                yield future.result()
    except BrokenProcessPool as error:
        time.sleep(0.2)  # a signal to all of a group comes to each in its own time
        if stop():
            return
        raise RunError(
            "a worker process died: out of memory, killed, or started from a script without "
            "if __name__ == '__main__'; what was finished is kept"
        ) from error


def _prepare(start: Callable[..., None], *args: Any) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides what an interrupt means
    threading.Thread(target=_die_with_parent, daemon=True).start()
    start(*args)


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
