"""A comparison's plan, question and answer in words, with what its surveys were."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from bench.choice.candidates import Candidate
from bench.choice.choice import Choice
from bench.choice.words import (
    limit_words,
    recommendation_words,
    table_lines,
    trait_words,
)
from bench.scene.model import Bay
from bench.survey.grid_phase import roll_words
from bench.survey.pace import duration_words, measure_pace
from bench.survey.plan import Plan
from bench.survey.plan_words import camera_words, listed, power_words
from bench.survey.setup import axle_ranges
from bench.survey.verdicts import Request
from bench.survey.worker import Job
from bench.targets.fill import Plate


def common_plan(jobs: Mapping[str, Job]) -> Plan:
    """Return the first candidate's plan, whose views, trials and seed are everybody's."""
    return next(iter(jobs.values())).plan


def table_words(plate: Plate, choice: Choice, jobs: Mapping[str, Job]) -> list[str]:
    """Return what was asked, and the longest ranges as a table."""
    plan = common_plan(jobs)
    n = plan.trials * len(plan.positions)
    return [
        f"Plate of {plate.name}; {choice.request.words}; n = {n} pictures a cell, "
        f"{roll_words(plan.roll_deg, plan.roll_spread_deg)}, seed {plan.seed}.",
        "",
        *table_lines(choice),
        "",
    ]


def choice_words(bay: Bay, choice: Choice, jobs: Mapping[str, Job]) -> list[str]:
    """Return what the comparison says, in sentences."""
    plan = common_plan(jobs)
    axles = axle_ranges(bay, plan.tower)
    lines = limit_words(choice)
    lines += recommendation_words(choice, axles, plan.range_spread)
    best = choice.ranking.best
    if best is not None:
        target = next(
            s.candidate.target for s in choice.surveyed if s.candidate.name == best.candidate
        )
        lines.append(
            f"Not in the map: {target.name} {trait_words(target)}; dirt, glare, a bent plate; "
            "layouts that weren't tried."
        )
    return lines


def plan_words(
    bay: Bay,
    plate: Plate,
    candidates: Sequence[Candidate],
    jobs: Mapping[str, Job],
    request: Request,
    workers: int,
) -> Iterator[str]:
    """Yield the plan, what it can decide, and about how long it takes, line by line."""
    plan = common_plan(jobs)
    n = plan.trials * len(plan.positions)
    yield (f"bay        {bay.name} ({bay.path})")
    yield (f"camera     {camera_words(jobs[candidates[0].name].setting.camera, plan.tower)}")
    yield (f"plate      {plate.name}")
    for index, candidate in enumerate(candidates):
        head = "" if index else "drawings"
        yield (f"{head:<11}{candidate.name}: {', '.join(candidate.pipelines)}")
    yield (f"ranges     {listed(plan.ranges_m)} m")
    yield (f"turns      {listed(plan.turns_deg)} deg")
    yield (f"pitches    {listed(plan.pitches_deg)} deg")
    total = sum(job.plan.n_pictures for job in jobs.values())
    yield (
        f"cases      {len(candidates)} drawings × {plan.n_cells} cells × {n} pictures = {total} "
        f"pictures; seed {plan.seed}"
    )
    yield (f"asked      {request.words}")
    yield (f"decides    {power_words(n, request, len(plan.ranges_m))}")
    seconds = sum(measure_pace(job).seconds(job.plan, workers) for job in jobs.values())
    yield (
        f"time       about {duration_words(seconds)} with {workers} workers, measured on a few "
        "pictures of each drawing, and some seconds to start and to draw"
    )
