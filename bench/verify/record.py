"""Recording: a pipeline run on all cases of a suite, resumed where it was stopped."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2

from bench.errors import PlugInError
from bench.files import make_directory
from bench.processes import Stop, pooled, process_pool
from bench.survey.run import Progress, never, silent
from bench.verify.baseline import Journal, header_of, write_baseline
from bench.verify.case import SuiteCase, suite_cases
from bench.verify.environment import environment
from bench.verify.rows import AnyPipeline, CaseRow, PipelineFactory, run_case
from bench.verify.suite import Suite

# Cases handed to a worker at a time: about a second of work.
CHUNK = 48
Failure = tuple[str, str]  # a case's key, and why the pipeline gave no answer
Rows = tuple[list[CaseRow], list[Failure]]


@dataclass(frozen=True)
class Recording:
    """What a call of `record` did.

    Attributes
    ----------
    found, added, total : int
        Cases done before, done by this call, and in the suite.
    failures : tuple of (str, str)
        Of the cases added: the key of each that has no answer, and why.
    """

    found: int
    added: int
    total: int
    failures: tuple[Failure, ...] = ()

    @property
    def complete(self) -> bool:
        """Whether every case is done and the file is written."""
        return self.found + self.added == self.total


def record(
    suite: Suite,
    make_pipeline: PipelineFactory,
    path: Path,
    noise: int = 0,
    workers: int = 0,
    progress: Progress = silent,
    stop: Stop = never,
    chunk: int = CHUNK,
    restart: bool = False,
) -> Recording:
    """Run a pipeline on a suite and write the baseline.

    Parameters
    ----------
    suite : Suite
        What to run on.
    make_pipeline : callable
        Returns the pipeline; called once in every process, so it must be picklable unless
        `workers` is 0.
    path : Path
        The baseline. Meanwhile what is done is kept beside it, see `bench.verify.baseline`.
    noise : int
        Noise key.
    workers : int
        Processes; 0 works in this one.
    progress, stop : callable
        As for `bench.survey.run.run_survey`.
    chunk : int
        Cases handed out at a time; no number depends on it.
    restart : bool
        Drop what an unfinished recording has.

    Raises
    ------
    PlugInError
        The pipeline can't be had, or doesn't look for this kind of target.
    RunError
        A file can't be written, belongs to something else, or a worker died. What was finished
        is kept.
    """
    name = check_pipeline(make_pipeline, suite)
    header = header_of(suite, name, noise, environment())
    make_directory(path.parent)
    journal = Journal(path, header)
    if restart:
        journal.remove()
    done = journal.resume()
    cases = list(suite_cases(suite))
    todo = [case for case in cases if case.key not in done]
    found = len(cases) - len(todo)
    progress(found, len(cases))
    failures: list[Failure] = []
    chunks = [todo[i : i + chunk] for i in range(0, len(todo), chunk)]
    job = _Job(suite, make_pipeline, noise)
    apart = workers > 0 and len(chunks) > 1  # a process isn't worth its start for one chunk
    results = job.run(chunks, workers, stop) if apart else job.inline(chunks, stop)
    for rows, failed in results:
        journal.append(rows)
        done |= {row.key: row for row in rows}
        failures += failed
        progress(len(done), len(cases))
    recording = Recording(found, len(done) - found, len(cases), tuple(failures))
    if recording.complete:
        write_baseline(path, header, [done[case.key] for case in cases])
        journal.remove()
    return recording


def check_pipeline(make_pipeline: PipelineFactory, suite: Suite) -> str:
    """Return a pipeline's name once it is seen that it takes the suite's target.

    Raises
    ------
    PlugInError
        It can't be had, or doesn't.
    """
    pipeline = make_pipeline()
    refusal = getattr(pipeline, "refusal", None)
    try:
        reason = refusal(suite.setting.target) if callable(refusal) else None
        if reason is not None:
            raise PlugInError(reason)
        return pipeline.name
    finally:
        _close(pipeline)


def _close(pipeline: AnyPipeline) -> None:
    close = getattr(pipeline, "close", None)
    if callable(close):
        close()


@dataclass(frozen=True)
class _Job:
    suite: Suite
    make_pipeline: PipelineFactory
    noise: int

    def inline(self, chunks: Sequence[list[SuiteCase]], stop: Stop) -> Iterator[Rows]:
        """Yield the chunks' rows, done in this process."""
        pipeline = self.make_pipeline()
        try:
            for chunk in chunks:
                if stop():
                    return
                yield self.rows(pipeline, chunk)
        finally:
            _close(pipeline)

    def rows(self, pipeline: AnyPipeline, chunk: Sequence[SuiteCase]) -> Rows:
        """Return the rows of some cases, and what failed."""
        cv2.setNumThreads(1)
        results = [run_case(case, self.suite, pipeline, self.noise) for case in chunk]
        failed = [(row.key, failure) for row, failure in results if failure]
        return [row for row, _ in results], failed

    def run(self, chunks: Sequence[list[SuiteCase]], workers: int, stop: Stop) -> Iterator[Rows]:
        """Yield the chunks' rows as processes of their own finish them."""
        count = max(1, min(workers, len(chunks)))
        with process_pool(count, _start, self) as pool:
            yield from pooled(pool, count, _work, chunks, stop)


_job: _Job | None = None
_pipeline: AnyPipeline | None = None


def _start(job: _Job) -> None:
    global _job, _pipeline
    _job, _pipeline = job, job.make_pipeline()


def _work(chunk: list[SuiteCase]) -> Rows:
    assert _job is not None
    assert _pipeline is not None
    return _job.rows(_pipeline, chunk)
