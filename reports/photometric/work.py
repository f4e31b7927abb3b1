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
from reports.photometric import cases
from reports.photometric.setting import Cell, marker

CHUNK = 50


@dataclass(frozen=True)
class Task:
    """A run of trials of one cell."""

    cell: Cell
    trials: range


def tasks(cells: Sequence[Cell], n: int) -> list[Task]:
    """Return the tasks that make n trials of each cell."""
    return [
        Task(cell, range(first, min(first + CHUNK, n)))
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
    os.environ.update(ONE_THREAD)  # of the processes to come
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, spawn, _prepare) as pool:
        futures = {pool.submit(_run_task, seed, task): i for i, task in enumerate(todo)}
        for future in as_completed(futures):
            rows[futures[future]] = future.result()
            done += len(todo[futures[future]].trials)
            progress(done, total)
    return pl.DataFrame(
        [row for i in range(len(todo)) for row in rows[i]], infer_schema_length=None
    )


def _prepare() -> None:
    cv2.setNumThreads(1)


@cache
def _target() -> Target:
    return marker()


def _run_task(seed: int, task: Task) -> list[cases.Row]:
    return [cases.run_case(seed, task.cell, trial, _target()) for trial in task.trials]
