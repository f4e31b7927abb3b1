"""A survey's cost over detection and solving alone, today's and an earlier source's in turn.

Processor times, in processes that take turns, so that what else a machine does weighs on both. A
trial's targets stand in `PLACES` of the frame: as built they share a bay, as a map's cells do.
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
ROUNDS, CASES = 5, 24
PLACES = [(across, down) for across in (0.35, 0.45, 0.55, 0.65) for down in (0.4, 0.5, 0.6)]
# Run with either source on the path; it may use what both have.
MEASURE = """
import io, json, sys, time
import polars as pl
import bench.survey.worker as worker_module
from reports.throughput.setting import SIZES_PX, job_of_size
worker_module.perf_counter = time.process_time
cases, places, found = int(sys.argv[1]), json.loads(sys.argv[2]), {}
places = tuple(map(tuple, places))
trials = cases // len(places) + 1
for built in (False, True):
    for name, size in SIZES_PX.items():
        job = job_of_size(size, trials, as_built=built, positions=places)
        worker = worker_module.Worker(job)
        worker.run(range(len(places)))
        start = time.process_time()
        part = worker.run(range(len(places), cases + len(places))).part
        whole = 1e3 * (time.process_time() - start) / cases
        rows = pl.read_parquet(io.BytesIO(part))
        floor = float((rows["detect_ms"] + rows["solve_ms"]).mean())
        kind = "as built" if built else "as drawn"
        found[f"{name}, {kind}"] = {"whole": whole, "floor": floor}
print(json.dumps(found))
"""


def measure(options: Options) -> dict[str, Any]:
    """Return whole over floor by size and setting, and earlier over today's whole."""
    here = Path(__file__).resolve().parents[2]
    sources = {"now": here} | ({"before": options.earlier} if options.earlier else {})
    rounds: dict[str, list[dict[str, Any]]] = {name: [] for name in sources}
    for _ in range(ROUNDS):
        for name, source in sources.items():
            answer = subprocess.run(
                [sys.executable, "-c", MEASURE, str(CASES), json.dumps(PLACES)],
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
        if "before" in mine:
            wholes = ([one["whole"] for one in mine[name]] for name in ("before", "now"))
            row["times_faster"] = ratio(*wholes)
        found[setting] = row
    return {
        "rounds": ROUNDS,
        "cases": CASES,
        "where": f"in {len(PLACES)} places of the frame that share a bay, as a map's cells do",
        "settings": found,
        "load": float(np.mean(os.getloadavg())),
    }
