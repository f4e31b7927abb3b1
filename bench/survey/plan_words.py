"""A survey's plan in words: what it covers, what it can decide, how long it takes."""

from __future__ import annotations

from collections.abc import Iterator

from bench.geometry.camera import Camera
from bench.scene.model import Bay
from bench.survey.pace import duration_words, measure_pace
from bench.survey.setting import cut_cells
from bench.survey.statistics import trials_to_decide_rate, wilson_bounds
from bench.survey.verdicts import Request
from bench.survey.worker import Job


def camera_words(camera: Camera, tower: str) -> str:
    """Return a tower's camera in words."""
    return f"{tower} tower, {camera.width} × {camera.height} px, f = {camera.fx:.0f} px"


def listed(values: tuple[float, ...]) -> str:
    """Return numbers as a list in words."""
    return ", ".join(f"{value:g}" for value in values)


def power_words(n: int, request: Request) -> str:
    """Say what usable rate a cell's trials can show."""
    level, confidence = request.detection, request.confidence
    failures = -1
    while failures < n and wilson_bounds(n - failures - 1, n, confidence)[0] >= level:
        failures += 1
    asked = f"a usable rate of {100 * level:g} % at {100 * confidence:g} % confidence"
    if failures < 0:
        needed = trials_to_decide_rate(n, n, level, confidence)
        return f"{n} pictures a cell can't show {asked}: it takes {needed}"
    allowed = "none of them fails" if failures == 0 else f"no more than {failures} of them fail"
    return f"{n} pictures a cell show {asked} if {allowed}"


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
    yield f"pipelines  {', '.join(plan.pipelines)}"
    yield (
        f"cases      {plan.n_cells} cells × {per_cell} pictures = {plan.n_pictures} pictures, "
        f"{plan.n_rows} rows; seed {plan.seed}"
    )
    yield f"decides    {power_words(per_cell, request)}"
    cut = cut_cells(plan, job.setting)
    if cut:
        yield f"note       in {cut} cells the pattern isn't wholly in the picture"
    pace = measure_pace(job)
    yield (
        f"time       about {duration_words(pace.seconds(plan, workers))} with {workers} workers "
        f"({1e3 * pace.picture_s:.0f} ms a picture, measured on {pace.pictures}), "
        "and some seconds to start and to draw"
    )
