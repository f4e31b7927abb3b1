"""Pace of a plan: how long it will take, from a few of its own pictures."""

from __future__ import annotations

from dataclasses import dataclass
from time import perf_counter

import numpy as np
import polars as pl

from bench.survey.plan import Plan
from bench.survey.worker import Job, Worker

# Pictures measured after one for warming up: enough to see every range and tilt of a usual
# grid, few enough for seconds.
SAMPLE = 48
# A dear pipeline's sample ends after so many seconds, if it has so many pictures by then.
MOST_S, FEWEST, ROUND = 6.0, 12, 4


@dataclass(frozen=True)
class Pace:
    """Time of a plan's pictures on this machine.

    Attributes
    ----------
    picture_s : float
        Mean time of one picture with all its pipelines, on one core, seconds.
    pictures : int
        How many were made.
    rows : polars.DataFrame
        What came of them.
    cell_s : float
        What every worker takes once for each cell, seconds.
    """

    picture_s: float
    pictures: int
    rows: pl.DataFrame
    cell_s: float = 0.0

    def seconds(self, plan: Plan, workers: int) -> float:
        """Return the time that a plan's pictures will take, without start and drawing."""
        return self.picture_s * plan.n_pictures / workers + self.cell_s * plan.n_cells


def duration_words(seconds: float) -> str:
    """Return a time as people say it: "40 s", "2.2 min", "3.5 h"."""
    if seconds < 60.0:
        return f"{max(1.0, seconds):.0f} s"
    return f"{seconds / 60.0:.1f} min" if seconds < 3600.0 else f"{seconds / 3600.0:.1f} h"


def measure_pace(job: Job) -> Pace:
    """Run a few of the plan's pictures, spread over its cells; their rows are no run's."""
    worker = Worker(job)
    # one round of all cells comes first in a plan, see `Plan.case`
    round_ = job.plan.n_pictures // job.plan.trials
    sample = np.unique(np.linspace(0, round_ - 1, min(SAMPLE, round_)).astype(int))
    worker.run([int(sample[0])])
    # each so many at a time are from all over the grid, so that any beginning of them is
    order = np.concatenate([sample[k::ROUND] for k in range(ROUND)])
    parts: list[pl.DataFrame] = []
    took: list[tuple[float, float]] = []
    start = perf_counter()
    for index in order:
        # a cell's first picture, and its next, which finds what a cell needs once
        for trial in range(min(2, job.plan.trials)):
            begun = perf_counter()
            result = worker.run([int(index) + trial * round_])
            took.append((perf_counter() - begun, trial))
            parts.append(pl.read_parquet(result.part))
        if perf_counter() - start > MOST_S and len(parts) >= FEWEST:
            break
    first, again = (np.mean([s for s, t in took if t == k] or [0.0]) for k in (0, 1))
    picture_s = float(again or first)
    return Pace(picture_s, len(parts), pl.concat(parts), max(0.0, float(first) - picture_s))
