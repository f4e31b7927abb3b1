"""The study's cases, shared out to processes: any order gives the same numbers."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from functools import cache

import cv2
import polars as pl

from bench.processes import ONE_THREAD
from bench.targets.target import Target
from reports.photometric import cases, mismatch, pace
from reports.photometric.setting import Cell, marker

CHUNK = 50


@dataclass(frozen=True)
class Task:
    """A run of trials of one cell, with a mismatch or with none asked for."""

    cell: Cell
    trials: range
    mismatch: mismatch.Mismatch | None = None


def tasks(cells: Sequence[Cell], n: int, wrong: mismatch.Mismatch | None = None) -> list[Task]:
    """Return the tasks that make n trials of each cell."""
    return [
        Task(cell, range(first, min(first + CHUNK, n)), wrong)
        for cell in cells
        for first in range(0, n, CHUNK)
    ]


def run(
    todo: Sequence[Task], seed: int, workers: int, progress: Callable[[int, int], None]
) -> pl.DataFrame:
    """Return one row a case, in the order of the tasks."""
    total = sum(len(task.trials) for task in todo)
    done = 0
    rows: dict[int, list[cases.Row]] = {}
    with _pool(workers) as pool:
        futures = {pool.submit(_run_task, seed, task): i for i, task in enumerate(todo)}
        for future in as_completed(futures):
            rows[futures[future]] = future.result()
            done += len(todo[futures[future]].trials)
            progress(done, total)
    return pl.DataFrame(
        [row for i in range(len(todo)) for row in rows[i]], infer_schema_length=None
    )


def run_alone(seed: int, n: int) -> pl.DataFrame:
    """Return solving times, measured by one process of one thread."""
    with _pool(1) as pool:
        return pl.DataFrame(pool.submit(_run_pace, seed, n).result())


def _pool(workers: int) -> ProcessPoolExecutor:
    os.environ.update(ONE_THREAD)  # of the processes to come
    return ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), _prepare)


def _prepare() -> None:
    cv2.setNumThreads(1)


@cache
def _target() -> Target:
    return marker()


def _run_task(seed: int, task: Task) -> list[cases.Row]:
    if task.mismatch is None:
        return [cases.run_case(seed, task.cell, trial, _target()) for trial in task.trials]
    return [
        mismatch.run_case(seed, task.mismatch, task.cell, trial, _target())
        for trial in task.trials
    ]


def _run_pace(seed: int, n: int) -> list[cases.Row]:
    return pace.solve_times(seed, n, _target())
