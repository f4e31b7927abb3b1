"""Where a case's time goes, at three sizes of the target, one core."""

from __future__ import annotations

import io
from time import perf_counter
from typing import Any

import numpy as np
import polars as pl

from bench.survey.worker import Worker
from reports.throughput.setting import CORNERS, SIZES_PX, Options, job_of_size
from reports.throughput.timing import spread

STEPS = ("render", "detect", "solve", "score", "bound")
CHUNK = 16  # cases between two looks at the clock; sizes take turns


def measure(options: Options) -> dict[str, Any]:
    """Return, for each size, milliseconds a case by step, what is left, and cases a second."""
    rounds = options.few(20, 4)
    workers = {
        name: Worker(job_of_size(size, CHUNK * (rounds + 1))) for name, size in SIZES_PX.items()
    }
    found: dict[str, list[dict[str, float]]] = {name: [] for name in workers}
    for worker in workers.values():
        worker.run(range(CHUNK))
    for k in range(1, rounds + 1):
        for name, worker in workers.items():
            start = perf_counter()
            result = worker.run(range(k * CHUNK, (k + 1) * CHUNK))
            whole = 1e3 * (perf_counter() - start) / CHUNK
            rows = pl.read_parquet(io.BytesIO(result.part))
            steps = {step: float(rows[f"{step}_ms"].to_numpy().mean()) for step in STEPS}
            found[name].append(steps | {"rest": whole - sum(steps.values()), "whole": whole})
    return {
        "pipeline": CORNERS,
        "cases": CHUNK * rounds,
        "sizes": {name: _summary(rows) for name, rows in found.items()},
    }


def _summary(rows: list[dict[str, float]]) -> dict[str, Any]:
    steps = {f"{step}_ms": spread([row[step] for row in rows]) for step in rows[0]}
    share = {
        step: float(np.median([row[step] / row["whole"] for row in rows]))
        for step in (*STEPS, "rest")
    }
    return {**steps, "share": share, "cases_per_s": spread([1e3 / r["whole"] for r in rows])}
