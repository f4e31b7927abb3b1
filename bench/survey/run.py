"""Running a survey: what isn't done yet goes to the executor by chunks and is kept as it comes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import islice
from time import perf_counter

import numpy as np

from bench.defaults import CHUNK
from bench.errors import PlugInError
from bench.processes import Stop
from bench.solve.pipeline import pipeline_from_name
from bench.survey.executors import Executor
from bench.survey.setting import check_plan
from bench.survey.store import RunStore
from bench.survey.worker import Job
from bench.typing import BoolArray

LOOK = 65536  # places of a plan looked at for what is left

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class RunReport:
    """What a call of `run_survey` did.

    Attributes
    ----------
    found, added, total : int
        Pictures that were done before, that this call did, and that the plan has.
    seconds : float
        Time that the call's own pictures took.
    failures : dict of str to str
        For each pipeline whose plug-in failed: the first failure.
    """

    found: int
    added: int
    total: int
    seconds: float
    failures: dict[str, str] = field(default_factory=dict)

    @property
    def complete(self) -> bool:
        """Whether every picture is done and the final tables are written."""
        return self.found + self.added == self.total


def never() -> bool:
    """Don't stop."""
    return False


def silent(done: int, total: int) -> None:
    """Tell nobody of progress."""


def run_survey(
    job: Job,
    store: RunStore,
    executor: Executor,
    chunk: int = CHUNK,
    progress: Progress = silent,
    stop: Stop = never,
) -> RunReport:
    """Run what a plan lacks, and write its final tables once it is whole.

    Parameters
    ----------
    job : Job
        Plan and setting.
    store : RunStore
        Where results go, and where those of an interrupted run of the same plan are found.
    executor : Executor
        Who does the work.
    chunk : int
        Pictures handed out at a time; no number depends on it.
    progress : callable
        Called with the pictures done and the pictures in all.
    stop : callable
        Once it returns true, what is begun is finished and kept, and no more is begun.

    Raises
    ------
    ConfigError
        The plan doesn't fit the setting.
    PlugInError
        A pipeline is unknown, or can't look for this target.
    RunError
        The directory holds another plan's run, can't be written, or a worker died.
    """
    plan = job.plan
    check_plan(plan, job.setting)
    check_pipelines(job)
    store.begin(plan)
    done = store.done(plan)
    found = added = int(np.count_nonzero(done))
    progress(found, plan.n_pictures)
    failures: dict[str, str] = {}
    start = perf_counter()
    if not done.all():
        for result in executor.run(job, chunks_of(left(done), chunk), stop):
            store.append(result)
            added += result.pictures
            for pipeline, text in result.failures.items():
                failures.setdefault(pipeline, text)
            progress(added, plan.n_pictures)
    report = RunReport(found, added - found, plan.n_pictures, perf_counter() - start, failures)
    if report.complete:
        store.finish(plan)
    return report


def check_pipelines(job: Job) -> None:
    """Refuse a pipeline that is unknown or can't look for the setting's target.

    Raises
    ------
    PlugInError
        Names the pipeline, and the kind or dictionary.
    """
    for name in job.plan.pipelines:
        reason = pipeline_from_name(name).refusal(job.setting.target)
        if reason:
            raise PlugInError(reason)


def left(done: BoolArray) -> Iterator[int]:
    """Iterate over the indices that aren't done yet; a list of them might be long."""
    for start in range(0, len(done), LOOK):
        yield from (start + np.flatnonzero(~done[start : start + LOOK])).tolist()


def chunks_of(indices: Iterable[int], size: int) -> Iterator[list[int]]:
    """Cut indices into chunks of a size."""
    rest = iter(indices)
    while chunk := list(islice(rest, size)):
        yield chunk
