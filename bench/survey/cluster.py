"""A Dask cluster as the one who works on a survey's chunks.

The scheduler runs elsewhere and workers come, go and die as they like: a chunk whose worker
was lost is given to another one, and since a case's numbers depend on its key alone, a chunk
done twice has the same numbers. Nothing of a survey is kept on the cluster: a client that was
killed resumes from its own directory.
"""

from __future__ import annotations

import pickle
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from itertools import islice
from time import monotonic
from typing import TYPE_CHECKING, Any

from bench.errors import ConfigError, RunError
from bench.processes import QUEUED_CHUNKS, Stop
from bench.provenance import library_versions
from bench.survey.executors import Crew, Executor
from bench.survey.plan import Plan
from bench.survey.worker import Chunk, ChunkResult, Job, Worker

if TYPE_CHECKING:
    import distributed

CONNECT_S = 10.0  # until a scheduler that doesn't answer is taken for none
POLL_S = 0.2  # how soon an interrupt is noticed
COUNT_S = 1.0  # how often workers are counted, of which there may be more or fewer
PATIENCE_S = 10.0  # without a worker, until that is said

Notice = Callable[[str], None]
Futures = set["distributed.Future[ChunkResult]"]


def _silent(words: str) -> None:
    pass


class ClusterExecutor(Executor):
    """Runs chunks on the workers of a Dask scheduler.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``"tcp://10.0.0.5:8786"``; ``tls://`` with Dask's own
        configuration of certificates.
    notice : callable
        Told when there is no worker to go on with, and when one has come.
    """

    def __init__(self, address: str, notice: Notice = _silent) -> None:
        self.address = address
        self.notice = notice

    @contextmanager
    def crew(self, job: Job) -> Iterator[Crew]:
        """Return the cluster's workers.

        Raises
        ------
        ConfigError
            Dask isn't installed, or the address isn't one.
        RunError
            No scheduler answers. Running chunks raises it where the scheduler went away,
            workers have other versions than the plan, or one chunk's workers died again and
            again; what was yielded is good.
        """
        with _connect(self.address) as client:
            yield _Workers(
                self.address, client, pickle.dumps(job), _Count(self.address, client, self.notice)
            )


@dataclass(frozen=True)
class _Workers:
    address: str
    client: distributed.Client
    job: bytes
    count: _Count

    def run(self, chunks: Iterable[Chunk], stop: Stop) -> Iterator[ChunkResult]:
        """Yield the chunks' results as they come; see `bench.survey.executors.Crew`."""
        rest, pending = iter(chunks), set[Any]()
        try:
            while True:
                stopped = stop()
                if not stopped:
                    room = QUEUED_CHUNKS * self.count.threads() - len(pending)
                    pending |= {
                        self.client.submit(run_packed, self.job, chunk, pure=False)
                        for chunk in islice(rest, max(room, 0))
                    }
                if not pending and (stopped or self.count.threads()):
                    return
                done = _finished(self.client, pending, self.address)
                pending -= done
                for future in done:
                    yield _result(future)
        finally:
            for future in pending:
                future.release()


class _Count:
    """How many tasks the cluster's workers take at once, counted now and then."""

    def __init__(self, address: str, client: distributed.Client, notice: Notice) -> None:
        self.address, self.client, self.notice = address, client, notice
        self.found, self.counted = 0, -COUNT_S
        self.idle_since = monotonic()
        self.said = False

    def threads(self) -> int:
        if monotonic() - self.counted >= COUNT_S:
            try:
                self.found = sum(self.client.nthreads().values())
            except OSError as error:  # it may go away between any two questions
                raise _gone(self.address) from error
            self.counted = monotonic()
            self._speak()
        return self.found

    def _speak(self) -> None:
        if self.found:
            if self.said:
                self.notice("a worker has come, going on")
            self.idle_since, self.said = self.counted, False
        elif not self.said and self.counted - self.idle_since >= PATIENCE_S:
            self.notice("the scheduler has no worker, waiting for one")
            self.said = True


def run_packed(packed: bytes, chunk: Chunk) -> ChunkResult:
    """Run a chunk of a pickled job on a cluster's worker.

    One chunk at a time a process, whatever threads the worker was started with: detectors and
    the linear algebra below them share state, and a process a core is as quick.
    """
    with _one_at_a_time:
        return _prepared(packed).run(chunk)


_one_at_a_time = threading.Lock()


@lru_cache(maxsize=1)
def _prepared(packed: bytes) -> Worker:
    job = pickle.loads(packed)
    _check_versions(job.plan)
    return Worker(job)


def _check_versions(plan: Plan) -> None:
    """Refuse to compute a plan's numbers with other libraries."""
    here, asked = dict(library_versions()), dict(plan.versions)
    found = [
        f"{name} {here.get(name, 'none')} instead of {asked[name]}"
        for name in asked
        if here.get(name) != asked[name]
    ]
    if found:
        import distributed

        raise RunError(
            f"worker {distributed.get_worker().address} has {', '.join(found)}: numbers could "
            "differ; what was finished is kept"
        )


def _connect(address: str) -> distributed.Client:
    try:
        import distributed
    except ModuleNotFoundError as error:
        raise ConfigError(
            "--scheduler needs Dask, which isn't installed: pip install 'sightbench[cluster]'"
        ) from error
    try:
        # sets no default client of the process; results go to us alone
        return distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
    except ValueError as error:
        raise ConfigError(f"--scheduler {address}: {_line(error)}") from error
    except OSError as error:  # time-outs among them
        raise RunError(
            f"--scheduler {address}: no Dask scheduler answers within {CONNECT_S:g} s; start one "
            "with `dask scheduler`"
        ) from error


def _finished(client: distributed.Client, pending: Futures, address: str) -> Futures:
    """Return those that have ended within a moment, if any."""
    import distributed

    try:
        if pending:
            with client.as_current():
                distributed.wait(pending, timeout=POLL_S, return_when="FIRST_COMPLETED")
        else:
            threading.Event().wait(POLL_S)
    except TimeoutError:
        pass
    except CancelledError as error:
        raise _gone(address) from error
    if client.status != "running":
        raise _gone(address)
    return {future for future in pending if future.status != "pending"}


def _gone(address: str) -> RunError:
    return RunError(
        f"--scheduler {address}: the scheduler went away; what was finished is kept, the same "
        "command goes on from there"
    )


def _result(future: distributed.Future[ChunkResult]) -> ChunkResult:
    import distributed

    try:
        result: Any = future.result()
    except distributed.scheduler.KilledWorker as error:
        raise RunError(
            "the cluster gave a chunk up after its workers died again and again: out of memory, "
            "or a plug-in that crashes; what was finished is kept"
        ) from error
    except CancelledError as error:
        raise RunError(
            "the cluster dropped a chunk, the scheduler was restarted; what was finished is "
            "kept, the same command goes on from there"
        ) from error
    assert isinstance(result, ChunkResult)
    return result


def _line(error: Exception) -> str:
    return " ".join(str(error).split())
