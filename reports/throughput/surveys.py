"""Surveys as a whole: their own overhead, and several workers against one."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter
from typing import Any

import polars as pl

from bench.survey.executors import Crew, Executor, InlineExecutor, ProcessExecutor
from bench.survey.pieces import open_table
from bench.survey.run import run_survey
from bench.survey.setup import job_of_bay
from bench.survey.store import TIMINGS_FILE, RunStore
from bench.survey.worker import Job
from reports.throughput.setting import CORNERS, SEED, Options, bay
from reports.throughput.timing import ratio, spread


def job_of_grid(trials: int, pipelines: tuple[str, ...] = (CORNERS,)) -> Job:
    """Return the shipped bay's survey with other trials and pipelines."""
    return job_of_bay(bay(), trials=trials, pipelines=pipelines, seed=SEED)


@dataclass(frozen=True)
class Held(Executor):
    """Workers that are kept between surveys of one job, started and warm."""

    held: Crew

    @contextmanager
    def crew(self, job: Job) -> Iterator[Crew]:
        """Return those."""
        yield self.held


@contextmanager
def warm(executor: Executor, job: Job, workers: int) -> Iterator[Held]:
    """Yield an executor whose workers have compiled and loaded all."""
    with executor.crew(job) as crew:
        for _ in crew.run([[i, i + 1] for i in range(0, 8 * workers, 2)], lambda: False):
            pass
        yield Held(crew)


def timed_survey(job: Job, executor: Executor) -> tuple[float, pl.DataFrame]:
    """Return the seconds of a survey, from its start to its tables, and its timings."""
    with tempfile.TemporaryDirectory() as folder:
        start = perf_counter()
        run_survey(job, RunStore(Path(folder)), executor)
        seconds = perf_counter() - start
        timings = [p.collect() for p in open_table(Path(folder) / TIMINGS_FILE).pieces()]
        return seconds, pl.concat(timings)


def work_seconds(timings: pl.DataFrame) -> float:
    """Return the time of pictures, bounds, detectors and solvers: what isn't overhead."""
    pictures = timings.unique("key")
    detector = pl.col("pipeline").str.split("/").list.first()
    once = timings.with_columns(detector=detector).unique(["key", "detector"])
    columns = (
        pictures["render_ms"],
        pictures["bound_ms"],
        once["detect_ms"],
        timings["solve_ms"],
    )
    return 1e-3 * sum(float(column.sum()) for column in columns)


def overhead(options: Options) -> dict[str, Any]:
    """Return the share of a survey's time that isn't work, by a corner pipeline."""
    trials, rounds = options.few(10, 3), options.few(3, 2)
    job = job_of_grid(trials)
    shares, scoring, pace = [], [], []
    with warm(InlineExecutor(), job, 1) as executor:
        for _ in range(rounds):
            seconds, timings = timed_survey(job, executor)
            shares.append(1.0 - work_seconds(timings) / seconds)
            scoring.append(1e-3 * float(timings["score_ms"].sum()) / seconds)
            pace.append(job.plan.n_pictures / seconds)
    return {
        "pipeline": CORNERS,
        "pictures": job.plan.n_pictures,
        "share": spread(shares),
        "scoring_share": spread(scoring),
        "pictures_per_s": spread(pace),
    }


def workers(options: Options) -> dict[str, Any]:
    """Return pictures a second of one worker and of several."""
    trials, rounds, count = options.few(10, 3), options.few(4, 2), options.workers
    job, part = job_of_grid(trials * count), job_of_grid(trials)
    alone: list[float] = []
    together: list[float] = []
    with (
        warm(ProcessExecutor(count), job, count) as crew,
        warm(ProcessExecutor(1), part, 1) as single,
    ):
        for _ in range(rounds):
            together.append(job.plan.n_pictures / timed_survey(job, crew)[0])
            alone.append(part.plan.n_pictures / timed_survey(part, single)[0])
    return {
        "workers": count,
        "pictures": job.plan.n_pictures,
        "one_per_s": spread(alone),
        "workers_per_s": spread(together),
        "speed_up": ratio(together, alone),
    }
