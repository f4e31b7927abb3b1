"""The steps of `sightbench choose`: run every candidate, say what came of it, draw it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import typer

from bench import __version__
from bench.choice.candidates import Candidate
from bench.choice.choice import Choice
from bench.choice.words import (
    asked_words,
    limit_words,
    recommendation_words,
    table_lines,
    trait_words,
    usable_words,
)
from bench.cli.progress import progress_bar, stop_on_interrupt
from bench.cli.surveying import bay_facts, warn_of_failures
from bench.scene.model import Bay
from bench.survey import provenance
from bench.survey.executors import Executor
from bench.survey.pace import duration_words, measure_pace
from bench.survey.plan import Plan
from bench.survey.plan_words import camera_words, listed, power_words
from bench.survey.provenance import command_line
from bench.survey.run import run_survey
from bench.survey.setup import axle_ranges
from bench.survey.store import RunStore
from bench.survey.verdicts import Request
from bench.survey.worker import Job
from bench.targets.fill import Plate


def run_all(
    out: Path,
    bay: Bay,
    candidates: Sequence[Candidate],
    jobs: Mapping[str, Job],
    executor: Executor,
    workers: int | str,
    chunk: int,
    quiet: bool,
) -> bool:
    """Run each candidate's survey as far as it isn't done; tell whether all are whole."""
    total = sum(job.plan.n_pictures for job in jobs.values())
    before = done = 0
    with stop_on_interrupt() as stop, progress_bar("pictures", quiet) as progress:
        for candidate in candidates:
            if stop():
                break
            job, directory = jobs[candidate.name], out / candidate.folder
            started = provenance.now()
            report = run_survey(
                job,
                RunStore(directory),
                executor,
                chunk,
                _shifted(progress, before, total),
                stop,
            )
            provenance.write_run_file(
                directory, job.plan, bay_facts(bay, job), report, started, workers
            )
            warn_of_failures(report)
            before += job.plan.n_pictures
            done += report.found + report.added
    if done < total:
        typer.echo(
            f"{done} of {total} pictures are done and kept in {out}; the same command goes on "
            "from there.",
            err=True,
        )
    return done == total


def _shifted(
    progress: Callable[[int, int], None], before: int, total: int
) -> Callable[[int, int], None]:
    """Return a candidate's progress as part of all candidates'."""
    return lambda done, _: progress(before + done, total)


def common_plan(jobs: Mapping[str, Job]) -> Plan:
    """Return the first candidate's plan, whose views, trials and seed are everybody's."""
    return next(iter(jobs.values())).plan


def facts_of(bay: Bay, jobs: Mapping[str, Job], started: str) -> dict[str, Any]:
    """Return where the numbers come from."""
    plan = common_plan(jobs)
    return {
        "command": command_line(),
        "started": started,
        "ended": provenance.now(),
        "versions": dict(plan.versions),
        "host": provenance.host_facts(),
        "bay": {"name": bay.name, "file": bay.path.name, "digest": bay.digest},
        "tower": plan.tower,
        "seed": plan.seed,
        "pictures_a_cell": plan.trials * len(plan.positions),
        "ranges_m": plan.ranges_m,
        "turns_deg": plan.turns_deg,
        "pitches_deg": plan.pitches_deg,
    }


def table_words(plate: Plate, choice: Choice, jobs: Mapping[str, Job]) -> list[str]:
    """Return what was asked, and the longest ranges as a table."""
    plan = common_plan(jobs)
    n = plan.trials * len(plan.positions)
    return [
        f"Plate of {plate.name}; {asked_words(choice.request)}; n = {n} pictures a cell, seed "
        f"{plan.seed}.",
        "",
        *table_lines(choice),
        "",
    ]


def words_of(bay: Bay, choice: Choice, jobs: Mapping[str, Job]) -> list[str]:
    """Return what the comparison says, in sentences."""
    plan = common_plan(jobs)
    axles = axle_ranges(bay, plan.tower)
    lines = [*limit_words(choice), usable_words(choice)]
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


def draw_choice(
    out: Path,
    bay: Bay,
    plate: Plate,
    choice: Choice,
    jobs: Mapping[str, Job],
    show_turn: float,
) -> Path:
    """Draw choice.png."""
    # matplotlib takes a second to load, which workers and dry runs needn't spend
    from bench.choice.figure import choice_figure, shown_view
    from bench.draw.map_info import MapInfo
    from bench.draw.style import applied, save

    plan = common_plan(jobs)
    info = MapInfo(
        bay=bay.name,
        target=f"drawings on a plate of {plate.name}",
        camera=camera_words(next(iter(jobs.values())).setting.camera, plan.tower),
        seed=plan.seed,
        pictures=plan.trials * len(plan.positions),
        version=__version__,
        request=choice.request,
        axle_ranges=axle_ranges(bay, plan.tower),
    )
    with applied():
        shown = shown_view(choice, jobs, math.degrees(show_turn))
        return save(choice_figure(choice, shown, info), out / "choice.png")


def print_plan(
    bay: Bay,
    plate: Plate,
    candidates: Sequence[Candidate],
    jobs: Mapping[str, Job],
    request: Request,
    workers: int,
) -> None:
    """Print the plan, what it can decide, and about how long it takes."""
    plan = common_plan(jobs)
    n = plan.trials * len(plan.positions)
    typer.echo(f"bay        {bay.name} ({bay.path})")
    typer.echo(f"camera     {camera_words(jobs[candidates[0].name].setting.camera, plan.tower)}")
    typer.echo(f"plate      {plate.name}")
    for index, candidate in enumerate(candidates):
        head = "" if index else "drawings"
        typer.echo(f"{head:<11}{candidate.name}: {', '.join(candidate.pipelines)}")
    typer.echo(f"ranges     {listed(plan.ranges_m)} m")
    typer.echo(f"turns      {listed(plan.turns_deg)} deg")
    typer.echo(f"pitches    {listed(plan.pitches_deg)} deg")
    total = sum(job.plan.n_pictures for job in jobs.values())
    typer.echo(
        f"cases      {len(candidates)} drawings × {plan.n_cells} cells × {n} pictures = {total} "
        f"pictures; seed {plan.seed}"
    )
    typer.echo(f"asked      {asked_words(request)}")
    typer.echo(f"decides    {power_words(n, request)}")
    seconds = sum(measure_pace(job).seconds(job.plan, workers) for job in jobs.values())
    typer.echo(
        f"time       about {duration_words(seconds)} with {workers} workers, measured on a few "
        "pictures of each drawing, and some seconds to start and to draw"
    )
