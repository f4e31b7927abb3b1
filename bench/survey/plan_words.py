"""A survey's plan in words: what it covers, what it can decide, how long it takes."""

from __future__ import annotations

from collections.abc import Iterator

from bench.geometry.camera import Camera
from bench.scene.model import Bay
from bench.survey.grid_phase import roll_words
from bench.survey.pace import duration_words, measure_pace
from bench.survey.setting import cut_cells
from bench.survey.statistics import chance_shown, misses_allowed, trials_for_misses
from bench.survey.verdicts import Request
from bench.survey.worker import Job


def camera_words(camera: Camera, tower: str) -> str:
    """Return a tower's camera in words."""
    return f"{tower} tower, {camera.width} × {camera.height} px, f = {camera.fx:.0f} px"


def listed(values: tuple[float, ...]) -> str:
    """Return numbers as a list in words."""
    return ", ".join(f"{value:g}" for value in values)


# True rates of success whose chance to be shown is told.
TRUTHS = (0.98, 0.99)


def power_words(n: int, request: Request, along: int = 1) -> str:
    """Say how many misses a cell's pictures may have, and what is shown with which chance.

    `along` is the number of ranges of a limit, all of which must hold.
    """
    level, confidence = request.success, request.confidence
    allowed = misses_allowed(n, level, confidence)
    asked = f"{100 * level:g} % at {100 * confidence:g} % confidence"
    if allowed < 0:
        needed = trials_for_misses(0, level, confidence)
        return f"{n} pictures a cell can't show {asked}: it takes {needed}, none of them a miss"
    words = f"{n} pictures a cell show {asked} with {misses_words(allowed)}"
    chances = []
    for truth in TRUTHS:
        if truth > level:
            chance = chance_shown(n, level, confidence, truth)
            whole = (
                f", along all {along} ranges {chance_words(chance**along)}" if along > 1 else ""
            )
            chances.append(
                f"a true {100 * truth:g} % with a chance of {chance_words(chance)}{whole}"
            )
    return "; ".join([words, *chances])


def misses_words(allowed: int) -> str:
    """Say how many misses are allowed."""
    if allowed == 0:
        return "no miss"
    return f"{allowed} miss{'es' if allowed > 1 else ''} at most"


def chance_words(chance: float) -> str:
    """Return a chance in per cent, its ends as such."""
    if chance < 0.001:
        return "under 0.1 %"
    return f"{100 * chance:.2g} %" if chance < 0.995 else "over 99 %"


def map_plan_words(bay: Bay, job: Job, request: Request, workers: int) -> Iterator[str]:
    """Yield a map's plan, what it can decide, and about how long it takes, line by line."""
    plan = job.plan
    positions = len(plan.positions)
    per_cell = plan.trials * positions
    yield f"bay        {bay.name} ({bay.path})"
    yield f"camera     {camera_words(job.setting.camera, plan.tower)}"
    yield f"target     {bay.target.name}"
    yield f"ranges     {listed(plan.ranges_m)} m"
    yield f"turns      {listed(plan.turns_deg)} deg"
    yield f"pitches    {listed(plan.pitches_deg)} deg"
    yield f"places     {positions} in the picture"
    rolls = roll_words(plan.roll_deg, plan.roll_spread_deg).removeprefix("rolls ")
    yield f"rolls      {rolls}"
    yield f"pipelines  {', '.join(plan.pipelines)}"
    yield (
        f"cases      {plan.n_cells} cells × {per_cell} pictures = {plan.n_pictures} pictures, "
        f"{plan.n_rows} rows; seed {plan.seed}"
    )
    yield f"asked      {request.words}"
    yield f"decides    {power_words(per_cell, request, len(plan.ranges_m))}"
    cut = cut_cells(plan, job.setting)
    if cut:
        yield f"note       in {cut} cells the pattern isn't wholly in the picture"
    pace = measure_pace(job)
    yield (
        f"time       about {duration_words(pace.seconds(plan, workers))} with {workers} workers "
        f"({1e3 * pace.picture_s:.0f} ms a picture, measured on {pace.pictures}), "
        "and some seconds to start and to draw"
    )
