"""What an adaptive survey saves: ``python -m reports.contour``."""

from __future__ import annotations

import argparse
import os
from dataclasses import replace
from pathlib import Path

from bench.cli.progress import progress_bar, stop_on_interrupt
from bench.survey.executors import ProcessExecutor
from bench.survey.run import run_survey
from bench.survey.store import RunStore, read_cases
from reports.contour import figures, report, study
from reports.contour.replay import record_of
from reports.contour.setting import FULL, QUICK, study_job

SHOWN = 2  # whose trials the picture shows, of the tolerances


def main() -> None:
    """Record the full grid, play the adaptive rule over it, write the report."""
    options = parse()
    size = QUICK if options.quick else FULL
    if options.trials:
        size = replace(size, trials=options.trials)
    job = study_job(size, options.seed)
    run = options.work / f"{job.plan.digest}"
    with stop_on_interrupt() as stop, progress_bar("full grid", quiet=False) as progress:
        recorded = run_survey(
            job, RunStore(run), ProcessExecutor(options.workers), progress=progress, stop=stop
        )
    if not recorded.complete:
        raise SystemExit(f"stopped; the same command goes on from what is in {run}")
    record = record_of(job.plan, read_cases(run))
    with progress_bar("replays", quiet=False) as progress:
        found = study.run(job, record, size, run / "replays", progress)
    options.out.mkdir(parents=True, exist_ok=True)
    report.write(options.out, found, job.plan, size, options.quick)
    shown = study.decided(study.Replay(0, SHOWN, study.BOTH), job, record, size)
    figures.write(options.out, *shown, found)
    print(f"written to {options.out}")


def parse() -> argparse.Namespace:
    """Return what the command line asks for."""
    parser = argparse.ArgumentParser(prog="python -m reports.contour", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a small grid with few trials")
    parser.add_argument("--trials", type=int, help=f"a cell (default {FULL.trials})")
    parser.add_argument("--seed", type=int, default=1, help="of all random numbers")
    parser.add_argument(
        "--workers", type=int, default=os.cpu_count() or 1, help="processes (default: all cores)"
    )
    parser.add_argument(
        "--work",
        type=Path,
        default=Path("sightbench-contour-study"),
        help="folder for the recorded cases, from which an interrupted study goes on",
    )
    parser.add_argument(
        "--out", type=Path, default=Path("reports/contour"), help="folder to write to"
    )
    return parser.parse_args()


if __name__ == "__main__":
    main()
