"""A large map: how long it takes, by corners and by the photometric pipeline."""

from __future__ import annotations

import json
import math
import subprocess
import sys
import tempfile
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

from bench.detect.detection import Found
from bench.detect.observation import Observation
from bench.solve.ippe import IppeLmSolver
from bench.solve.photometric import first_fit
from bench.solve.pipeline import pipeline_from_name
from bench.survey.cells import summarise
from bench.survey.executors import ProcessExecutor
from bench.survey.limits import find_limits
from bench.survey.run import run_survey
from bench.survey.setup import job_of_bay, request_of_bay
from bench.survey.store import RunStore, open_cases
from bench.survey.worker import Worker, picture_of_case
from reports.throughput.setting import PHOTOMETRIC, SEED, Options, bay
from reports.throughput.surveys import job_of_grid
from reports.throughput.timing import mean_interval, spread

CASES = 100_000
SHARES = (1 / 50, 1 / 10, 1.0)  # of the cases, to tell a start from a pace
QUICK_SHARES = (1 / 400, 1 / 50)


def trials_for(cases: int) -> int:
    """Return the trials a cell that make at least so many pictures of the shipped grid."""
    return max(1, math.ceil(cases / job_of_grid(1).plan.n_pictures))


def run_map(trials: int, workers: int) -> dict[str, Any]:
    """Run a map, cells and limits included, in this process; say its time."""
    job = job_of_grid(trials)
    with tempfile.TemporaryDirectory() as folder:
        start = perf_counter()
        run_survey(job, RunStore(Path(folder)), ProcessExecutor(workers))
        surveyed = perf_counter() - start
        cases = open_cases(Path(folder))
        summarise(cases)
        find_limits(cases, request_of_bay(bay()))
        whole = perf_counter() - start
    return {
        "pictures": job.plan.n_pictures,
        "survey_s": surveyed,
        "whole_s": whole,
    }


def maps(options: Options) -> dict[str, Any]:
    """Return the maps' times and memory; each runs in a process of its own."""
    rows = []
    for share in QUICK_SHARES if options.quick else SHARES:
        command = [sys.executable, "-m", "reports.throughput.scale"]
        arguments = [str(trials_for(round(share * CASES))), str(options.workers)]
        run = subprocess.run([*command, *arguments], capture_output=True, text=True, check=True)
        rows.append(json.loads(run.stdout.splitlines()[-1]))
    last = rows[-1]
    return {
        "workers": options.workers,
        "asked": CASES,
        "ran_whole": last["pictures"] >= CASES,
        "seconds_for_asked": extrapolated(rows, CASES),
        "maps": rows,
    }


def extrapolated(rows: list[dict[str, Any]], cases: int) -> float:
    """Return the seconds of so many cases, from the last two maps: a start and a pace.

    A map that is as large as asked for is hardly moved by it.
    """
    before, last = rows[-2:]
    pace = (last["whole_s"] - before["whole_s"]) / (last["pictures"] - before["pictures"])
    return float(last["whole_s"] + pace * (cases - last["pictures"]))


def photometric(options: Options) -> dict[str, Any]:
    """Return what a map by the photometric pipeline takes, from a sample over the whole grid."""
    fields = richer(options.few(8, 2))  # first, as it compiles what clean pictures seldom need
    trials = options.few(32, 4)
    job = job_of_grid(trials, (PHOTOMETRIC,))
    worker, grid = Worker(job), job.plan.n_pictures // trials
    worker.run(range(grid))
    times = []
    for first in range(grid, job.plan.n_pictures, grid):
        start = process_time()
        worker.run(range(first, first + grid))
        times.append((process_time() - start) / grid)
    mean = mean_interval(times)
    scale = CASES / options.workers
    return {
        "pipeline": PHOTOMETRIC,
        "picture_s": mean,
        "workers": options.workers,
        "seconds_for_asked": {k: scale * mean[k] for k in ("mean", "low", "high")},
        "pictures": grid * len(times),
        "richer": fields,
    }


def richer(trials: int) -> dict[str, float]:
    """Return how many times as long as plain light's fit an answer by fields of light takes.

    Of the pictures as built, whole grid, that ask for fields; processor times of the same pixels,
    the plain fit being the solver's first, from the corners.
    """
    job = job_of_bay(bay(), as_built=True, trials=trials, pipelines=(PHOTOMETRIC,), seed=SEED)
    pipeline, setting = pipeline_from_name(PHOTOMETRIC), job.setting
    times = []
    for case in job.plan.cases():
        picture = picture_of_case(case, job)
        seen = Observation(picture, setting.camera, setting.target, setting.imaging.sensor)
        detection = pipeline.detect(seen)
        start = process_time()
        estimate = pipeline.solve(detection, seen)
        whole = process_time() - start
        if detection.found is Found.FOUND and estimate.light.startswith("fields"):
            start = process_time()
            pose = IppeLmSolver().start(detection, seen).T_camera_target_est
            assert pose is not None
            first_fit(pose, seen)
            times.append((whole, process_time() - start))
    # the first pictures compile what is slow
    return spread([whole / plain for whole, plain in times[2:]])


def main() -> None:
    """Run one map and print what it took."""
    print(json.dumps(run_map(int(sys.argv[1]), int(sys.argv[2]))))


if __name__ == "__main__":
    main()
