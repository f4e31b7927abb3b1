"""Whether memory grows with the cases: made-up parts are joined, summed up and judged.

Rows are drawn and written as workers write theirs, so that millions take minutes. Each amount
runs in a process of its own.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path
from time import perf_counter
from typing import Any

import numpy as np
import polars as pl

from bench.survey.cells import summarise
from bench.survey.limits import find_limits
from bench.survey.pieces import packed
from bench.survey.plan import Plan
from bench.survey.setup import request_of_bay
from bench.survey.store import RunStore, open_cases
from bench.survey.worker import PART_SCHEMA, ChunkResult
from reports.throughput.peak import peak_bytes
from reports.throughput.setting import Options, bay
from reports.throughput.surveys import job_of_grid

# The least fills a sorted run (`bench.survey.joining.RUN_ROWS`), what joining holds at least.
ROWS = (100_000, 300_000, 1_000_000)
QUICK_ROWS = (100_000, 200_000)
PART_ROWS = 1000
PLACE = ("index", "key", "range_m", "turn_deg", "pitch_deg", "position_name", "trial")
FIXED = {pl.Boolean: True, pl.Int64: 1, pl.String: "ok"}


def made_up(plan: Plan, start: int, rng: np.random.Generator) -> pl.DataFrame:
    """Return a part of drawn numbers, as a worker packs one."""
    cases = [plan.case(i) for i in range(start, min(start + PART_ROWS, plan.n_pictures))]
    n = len(cases)
    columns: dict[str, Any] = {
        name: rng.random(n) if dtype == pl.Float64 else [FIXED[dtype]] * n
        for name, dtype in PART_SCHEMA.items()
    }
    columns |= {name.removesuffix("_name"): [getattr(c, name) for c in cases] for name in PLACE}
    columns["pipeline"] = [plan.pipelines[0]] * n
    return pl.DataFrame(columns, schema=PART_SCHEMA)


def held(rows: int) -> dict[str, Any]:
    """Return the peaks of this process while so many rows become tables, cells and limits."""
    plan = job_of_grid(max(1, round(rows / job_of_grid(1).plan.n_pictures))).plan
    rng = np.random.default_rng(plan.seed)
    marks: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        store = RunStore(Path(folder))
        store.begin(plan)
        for start in range(0, plan.n_pictures, PART_ROWS):
            store.append(ChunkResult((start,), packed(made_up(plan, start, rng))))
        marks["before_mb"] = peak_bytes() / 1e6
        start_s = perf_counter()
        store.finish(plan)
        marks["joining_mb"] = peak_bytes() / 1e6
        cases = open_cases(store.directory)
        summarise(cases)
        find_limits(cases, request_of_bay(bay()))
        marks["peak_mb"] = peak_bytes() / 1e6
    return {"rows": plan.n_rows, **marks, "seconds": perf_counter() - start_s}


def measure(options: Options) -> dict[str, Any]:
    """Return the peaks at each amount."""
    found = []
    for rows in QUICK_ROWS if options.quick else ROWS:
        command = [sys.executable, "-m", "reports.throughput.memory", str(rows)]
        run = subprocess.run(command, capture_output=True, text=True, check=True)
        found.append(json.loads(run.stdout.splitlines()[-1]))
    return {"amounts": found}


if __name__ == "__main__":
    print(json.dumps(held(int(sys.argv[1]))))
