"""Surveys as a whole: their own overhead, growth, and workers against copies."""

from __future__ import annotations

import json
import subprocess
import sys
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
from reports.throughput.timing import growth, spread

PIPELINES = (CORNERS, "apriltag/ippe-lm", "aruco-subpix/ippe", "apriltag/ippe")


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


def scaling(options: Options) -> dict[str, Any]:
    """Return times by trials and by pipelines, with the exponents of growth."""
    rounds = options.few(3, 2)
    trials = (1, 2, 4, 8) if not options.quick else (1, 2, 3)
    amounts: dict[str, list[float]] = {"trials": [], "pipelines": []}
    times: dict[str, list[float]] = {"trials": [], "pipelines": []}
    for _ in range(rounds):
        for count in trials:
            job = job_of_grid(count)
            with warm(InlineExecutor(), job, 1) as executor:
                times["trials"].append(timed_survey(job, executor)[0])
            amounts["trials"].append(count)
        for n in range(1, len(PIPELINES) + 1):
            job = job_of_grid(trials[1], PIPELINES[:n])
            with warm(InlineExecutor(), job, 1) as executor:
                times["pipelines"].append(timed_survey(job, executor)[0])
            amounts["pipelines"].append(n)
    return {
        name: {"amounts": amounts[name], "s": times[name], **growth(amounts[name], times[name])}
        for name in amounts
    }


def workers(options: Options) -> dict[str, Any]:
    """Return pictures a second of one worker, of several, and of as many copies at once."""
    trials, rounds, count = options.few(10, 3), options.few(4, 2), options.workers
    job, part = job_of_grid(trials * count), job_of_grid(trials)
    alone: list[float] = []
    together: list[float] = []
    copies: list[float] = []
    with (
        warm(ProcessExecutor(count), job, count) as crew,
        warm(ProcessExecutor(1), part, 1) as single,
        _copies(count, trials) as others,
    ):
        for _ in range(rounds):
            seconds, _timings = timed_survey(job, crew)
            together.append(job.plan.n_pictures / seconds)
            copies.append(sum(part.plan.n_pictures / s for s in others()))
            seconds, _timings = timed_survey(part, single)
            alone.append(part.plan.n_pictures / seconds)
    return {
        "workers": count,
        "pictures": job.plan.n_pictures,
        "one_per_s": spread(alone),
        "workers_per_s": spread(together),
        "copies_per_s": spread(copies),
        "ratio": spread([a / b for a, b in zip(together, copies, strict=True)]),
        "speed_up": spread([a / b for a, b in zip(together, alone, strict=True)]),
        "exponent": growth(
            [1.0] * rounds + [float(count)] * rounds,
            [1.0 / a for a in alone] + [1.0 / t for t in together],
        )
        if count > 1
        else None,
    }


@contextmanager
def _copies(count: int, trials: int) -> Iterator[Any]:
    """Yield what makes copies of the program survey at once and returns their seconds."""
    command = [sys.executable, "-m", "reports.throughput.copies", str(trials)]
    started = [
        subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        for _ in range(count)
    ]

    def both() -> list[float]:
        for process in started:
            assert process.stdin is not None
            process.stdin.write("go\n")
            process.stdin.flush()
        return [json.loads(p.stdout.readline())["seconds"] for p in started if p.stdout]

    try:
        for process in started:
            assert process.stdout is not None
            process.stdout.readline()  # ready
        yield both
    finally:
        for process in started:
            assert process.stdin is not None
            process.stdin.close()
            process.wait()
