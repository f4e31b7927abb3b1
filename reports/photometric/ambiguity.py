"""A survey of how often the mirrored pose wins, through the bench's own survey and pipelines."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

import polars as pl

from bench.survey.ambiguity import ambiguity_table, with_predictions
from bench.survey.executors import ProcessExecutor
from bench.survey.plan import Plan
from bench.survey.run import run_survey
from bench.survey.setting import Setting
from bench.survey.store import RunStore, open_cases
from bench.survey.worker import Job
from reports.photometric.setting import CAMERA, Cell, marker

PIPELINES = ("apriltag/ippe-lm", "aruco-subpix/ippe-lm", "apriltag/photometric")
# 75, 50, 33, 25, 20 and 17 px of marker.
RANGES_M = (8.0, 12.0, 18.0, 24.0, 30.0, 36.0)
TURNS_DEG = (10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0)
BLUR_PX = 0.6


def setting() -> Setting:
    """Return what is surveyed."""
    return Setting(CAMERA, Cell(20.0, 0.0, BLUR_PX).imaging, marker())


def survey(
    seed: int, trials: int, workers: int, progress: Callable[[int, int], None]
) -> pl.DataFrame:
    """Return the ambiguity table, with predictions."""
    here = setting()
    digests = here.digests()
    plan = Plan(
        RANGES_M,
        TURNS_DEG,
        PIPELINES,
        trials=trials,
        seed=seed,
        camera=digests["camera"],
        imaging=digests["imaging"],
        target=digests["target"],
    )
    with tempfile.TemporaryDirectory() as folder:
        store = RunStore(Path(folder))
        run_survey(Job(plan, here), store, ProcessExecutor(workers), progress=progress)
        counted = ambiguity_table(open_cases(Path(folder)))  # read while it is there
    order = pl.DataFrame({"pipeline": PIPELINES, "rank": range(len(PIPELINES))})
    table = counted.join(order, on="pipeline").sort("rank", "turn_deg", "range_m")
    return with_predictions(table.drop("rank"), here)
