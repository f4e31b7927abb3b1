"""A survey's cost over detection and solving alone, today's and an earlier source's in turn.

Processor times, in processes that take turns, so that what else a machine does weighs on both. A
trial's targets stand at `TURNS_DEG` and `PITCHES_DEG`: as built they share a bay, as a map's cells
do. (Places in the frame that are given by hand wouldn't: each has bays of its own.) What is done
once a cell is told apart, since a map of many trials shares it out.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np

from reports.throughput.setting import Options
from reports.throughput.timing import ratio, spread

# Processor times are a little noisy, ratios of tens of pictures within some 5 %.
ROUNDS, CASES = 5, 36
TURNS_DEG, PITCHES_DEG = (24.0, 28.0, 32.0, 36.0), (-4.0, 0.0, 4.0)
CELLS = len(TURNS_DEG) * len(PITCHES_DEG)
# Run with either source on the path; it may use what both have.
MEASURE = """
import io, json, sys, time
import polars as pl
import bench.survey.worker as worker_module
from reports.throughput.setting import SIZES_PX, job_of_size
worker_module.perf_counter = time.process_time
cases, turns, pitches = json.loads(sys.argv[1])
cells, found = len(turns) * len(pitches), {}
for built in (False, True):
    for name, size in SIZES_PX.items():
        changes = {"as_built": built, "positions": (None,)}
        worker_module.Worker(job_of_size(size, 1, **changes)).run([0])  # loads what is compiled
        changes |= {"turns_deg": tuple(turns), "pitches_deg": tuple(pitches)}
        worker = worker_module.Worker(job_of_size(size, cases // cells + 1, **changes))
        start = time.process_time()
        worker.run(range(cells))
        first = 1e3 * (time.process_time() - start) / cells
        start = time.process_time()
        part = worker.run(range(cells, cases + cells)).part
        whole = 1e3 * (time.process_time() - start) / cases
        rows = pl.read_parquet(io.BytesIO(part))
        floor = float((rows["detect_ms"] + rows["solve_ms"]).mean())
        kind = "as built" if built else "as drawn"
        found[f"{name}, {kind}"] = {"whole": whole, "floor": floor, "cell": first - whole}
print(json.dumps(found))
"""


def measure(options: Options) -> dict[str, Any]:
    """Return whole over floor by size and setting, and earlier over today's whole."""
    here = Path(__file__).resolve().parents[2]
    sources = {"now": here} | ({"before": options.earlier} if options.earlier else {})
    rounds: dict[str, list[dict[str, Any]]] = {name: [] for name in sources}
    n, cases = options.few(ROUNDS, 2), options.few(CASES, CELLS)
    asked = json.dumps([cases, TURNS_DEG, PITCHES_DEG])
    for _ in range(n):
        for name, source in sources.items():
            answer = subprocess.run(
                [sys.executable, "-c", MEASURE, asked],
                cwd=source,
                env=os.environ | {"PYTHONPATH": str(source)},
                capture_output=True,
                text=True,
                check=True,
            )
            rounds[name].append(json.loads(answer.stdout))
    found: dict[str, Any] = {}
    for setting in rounds["now"][0]:
        mine = {name: [one[setting] for one in ones] for name, ones in rounds.items()}
        row = {
            f"{name}_over_floor": ratio([o["whole"] for o in ones], [o["floor"] for o in ones])
            for name, ones in mine.items()
        }
        row["whole_ms"] = spread([one["whole"] for one in mine["now"]])
        row["cell_ms"] = spread([one["cell"] for one in mine["now"]])
        if "before" in mine:
            wholes = ([one["whole"] for one in mine[name]] for name in ("before", "now"))
            row["times_faster"] = ratio(*wholes)
            row["before_cell_ms"] = spread([one["cell"] for one in mine["before"]])
        found[setting] = row
    return {
        "rounds": n,
        "cases": cases,
        "where": f"of {CELLS} cells that share bays, as a map's do",
        "settings": found,
        "load": float(np.mean(os.getloadavg())),
    }
