"""What the study looks at: the shipped bay's target over a grid that a full survey can afford."""

from __future__ import annotations

from dataclasses import dataclass, replace

from bench.scene.load import load_bay
from bench.survey.contour import bisected
from bench.survey.setup import job_of_bay
from bench.survey.verdicts import Request
from bench.survey.worker import Job

RANGES_M = (2.5, 5.0, 10.0, 20.0)
TURNS_DEG = (0.0, 25.0, 50.0, 75.0)
PIPELINES = ("apriltag/ippe-lm", "aruco-subpix/ippe-lm")
LOOKS = 4


@dataclass(frozen=True)
class Size:
    """How large the study is: halvings of the grid, trials a cell, surveys drawn from them."""

    levels: int
    trials: int
    draws: int


FULL = Size(levels=2, trials=400, draws=10)
QUICK = Size(levels=1, trials=120, draws=3)

# From the shipped bay's own to what its limits allow at the far end.
REQUESTS = (
    Request(within_deg=0.1),
    Request(within_deg=0.2),
    Request(within_deg=0.6),
    Request(within_deg=0.3, success=0.9),
)


def study_job(size: Size, seed: int) -> Job:
    """Return the full grid's job: every cell of the finest grid with every trial."""
    job = job_of_bay(
        load_bay(None),
        ranges_m=RANGES_M,
        turns_deg=TURNS_DEG,
        trials=size.trials,
        pipelines=PIPELINES,
        seed=seed,
    )
    plan = replace(
        job.plan,
        ranges_m=bisected(job.plan.ranges_m, size.levels),
        turns_deg=bisected(job.plan.turns_deg, size.levels),
    )
    return replace(job, plan=plan)


def request_words(request: Request) -> str:
    """Return a tolerance in words."""
    return f"{100 * request.success:g} % usable and within {request.within_deg:g} deg"
