"""`sightbench contour`: find where a tolerance stops holding, with as few pictures as it takes."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import polars as pl
import typer

from bench import __version__
from bench.cli.limits import EXIT, UNDECIDED_EXIT
from bench.cli.options import BayArgument, PlaceOption, SeedOption
from bench.cli.progress import progress_bar, stop_on_interrupt
from bench.cli.surveying import (
    DEFAULT_CHUNK,
    INTERRUPTED,
    ChunkOption,
    DryRunOption,
    PitchesOption,
    QuietOption,
    SchedulerOption,
    TowerOption,
    WorkersOption,
    bay_facts,
    camera_words,
    changed_request,
    confidence_option,
    degrees,
    detection_option,
    executor_of,
    pipeline_option,
    power_words,
    processes_of,
    ranges_option,
    rotation_option,
    statistic_option,
    trials_option,
    turns_option,
    warn_of_failures,
)
from bench.files import write_atomically
from bench.scene.load import load_bay
from bench.scene.model import Bay
from bench.survey import provenance
from bench.survey.cells import summarise
from bench.survey.contour import MAX_LEVELS, Contour, contour_of, start_cells
from bench.survey.contour_run import ContourReport, run_contour
from bench.survey.limits import find_limits
from bench.survey.pace import duration_words, measure_pace
from bench.survey.run import check_pipelines
from bench.survey.setting import check_plan
from bench.survey.setup import axle_ranges, job_of_bay, request_of_bay
from bench.survey.statistics import MIN_BOOTSTRAP
from bench.survey.store import CASES_FILE, RunStore, open_cases
from bench.survey.summary import reach_words
from bench.survey.tables import write_cells, write_limits
from bench.survey.verdicts import UNDECIDED
from bench.survey.worker import Job

DEFAULT_OUT = Path("sightbench-contour")
CONTOUR_FILE = "contour.json"
DEFAULT_TRIALS = 400


def command(
    bay: BayArgument = None,
    out: PlaceOption = DEFAULT_OUT,
    rotation: Annotated[float | None, rotation_option()] = None,
    detection: Annotated[float | None, detection_option()] = None,
    confidence: Annotated[float | None, confidence_option()] = None,
    statistic: Annotated[str, statistic_option()] = "rms",
    ranges: Annotated[Any, ranges_option()] = None,
    turns: Annotated[Any, turns_option()] = None,
    pitches: PitchesOption = None,
    levels: Annotated[
        int,
        typer.Option(
            min=0,
            max=MAX_LEVELS,
            metavar="N",
            help="How often the grid's intervals are halved where the contour crosses them.",
        ),
    ] = 2,
    looks: Annotated[
        int,
        typer.Option(
            min=1,
            max=12,
            metavar="N",
            help="How often a cell is judged, each time after twice as many trials.",
        ),
    ] = 4,
    trials: Annotated[int, trials_option(str(DEFAULT_TRIALS))] = DEFAULT_TRIALS,
    pipeline: Annotated[list[str] | None, pipeline_option()] = None,
    seed: SeedOption = None,
    tower: TowerOption = None,
    workers: WorkersOption = None,
    scheduler: SchedulerOption = None,
    chunk: ChunkOption = DEFAULT_CHUNK,
    dry_run: DryRunOption = False,
    pictures: Annotated[bool, typer.Option(help="Draw contour.png.")] = True,
    quiet: QuietOption = False,
) -> int:
    """Find where a tolerance stops holding, spending pictures where that isn't clear.

    Starts with the grid of 'sightbench map', judges each cell after a few trials, and again
    after twice as many where that doesn't decide, up to --trials. Then halves the grid's
    intervals where neighbours differ, and goes on there. The looks of a cell share the error
    that the confidence allows, so that looking often doesn't make a cell pass by luck.

    What lies between tested cells that agree is assumed to be like them: a hole smaller than
    the grid that you give isn't found. 'sightbench map' tests every cell. It says at the end
    how many pictures the full grid would have taken; --dry-run says it before.

    A stopped run goes on with the same command. 'sightbench limits DIR' reads the result.

    Ends with 0 where any limit holds, 1 where none does, 3 where none does but some are
    undecided.

    \b
    Examples:
      sightbench contour
      sightbench contour my-bay.toml --rotation "0.1 deg" --levels 3 --trials 1600
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    started = provenance.now()
    place = load_bay(bay)
    request = changed_request(request_of_bay(place), rotation, detection, confidence, statistic)
    job = job_of_bay(
        place,
        tower,
        ranges_m=ranges,
        turns_deg=degrees(turns),
        pitches_deg=degrees(pitches),
        trials=trials,
        pipelines=tuple(pipeline) if pipeline else None,
        seed=seed,
    )
    contour = contour_of(job.plan, request, levels, looks)
    job = replace(job, plan=contour.plan)
    executor = executor_of(workers, scheduler)
    check_plan(job.plan, job.setting)
    check_pipelines(job)
    if dry_run:
        typer.echo(_plan_words(contour))
        typer.echo(_time_words(job, contour, processes_of(workers)))
        return 0
    store = RunStore(out, contour.as_dict())
    with stop_on_interrupt() as stop, progress_bar("pictures", quiet) as progress:
        report = run_contour(job, contour, store, executor, chunk, progress, stop)
    provenance.write_run_file(
        out,
        job.plan,
        bay_facts(place, job),
        report.run,
        started,
        scheduler or processes_of(workers),
    )
    warn_of_failures(report.run)
    if not report.complete:
        typer.echo(
            f"{report.run.found + report.run.added} pictures are done and kept in {out}; the "
            "same command goes on from there.",
            err=True,
        )
        return INTERRUPTED
    cases = open_cases(out)
    limits = find_limits(cases, contour.judged_by)
    written = [out / CASES_FILE, out / provenance.RUN_FILE]
    cells = summarise(cases)
    written += write_cells(out, cells) + write_limits(out, limits)
    written.append(_write_summary(out, contour, report))
    if pictures:
        written.append(_draw(out, place, job, contour, report, cells))
    typer.echo(f"Wrote to {out}: {', '.join(path.name for path in written)}.")
    typer.echo(_spent_words(contour, report))
    # of all looks together: what was asked for
    typer.echo(reach_words(replace(limits, request=request)))
    return EXIT.get(limits.verdict, UNDECIDED_EXIT)


def _least_pictures(contour: Contour) -> int:
    return len(start_cells(contour)) * contour.looks[0] * len(contour.plan.positions)


def _time_words(job: Job, contour: Contour, workers: int) -> str:
    pace = measure_pace(job)
    least, most = (
        duration_words(pace.picture_s * n / workers)
        for n in (_least_pictures(contour), contour.plan.n_pictures)
    )
    return (
        f"time       about {least} at least, {most} if every cell took all trials, with "
        f"{workers} workers ({1e3 * pace.picture_s:.0f} ms a picture, measured on "
        f"{pace.pictures})"
    )


def _plan_words(contour: Contour) -> str:
    plan, start = contour.plan, start_cells(contour)
    places = len(plan.positions)
    least = _least_pictures(contour)
    most = contour.looks[-1] * places
    warning = ""
    if contour.looks[-1] < MIN_BOOTSTRAP:
        warning = f"\nnote       an RMS needs {MIN_BOOTSTRAP} usable poses; nothing can hold"
    return (
        f"grid       {len(start)} cells given, {plan.n_cells} after {contour.levels} halvings\n"
        f"looks      after {', '.join(map(str, contour.looks))} trials, each at "
        f"{100 * contour.judged_by.confidence:.4g} % one-sided confidence, which is "
        f"{100 * contour.request.confidence:.4g} % for all together\n"
        f"decides    {power_words(most, contour.judged_by)}\n"
        f"pictures   {least} at least, {plan.n_pictures} if every cell took all trials{warning}"
    )


def _spent_words(contour: Contour, report: ContourReport) -> str:
    plan, total = contour.plan, contour.plan.n_pictures
    used = report.run.found + report.run.added
    undecided = sum(UNDECIDED in found.values() for found in report.verdicts.values())
    words = (
        f"{len(report.verdicts)} of {plan.n_cells} cells tested, with {used} pictures. The full "
        f"grid, every cell with {contour.looks[-1]} trials, takes {total}: {total - used} or "
        f"{100 * (1 - used / total):.0f} % are saved."
    )
    if undecided:
        words += (
            f" {undecided} of the tested cells are undecided after {contour.looks[-1]} trials; "
            "more --trials, in another --out, may decide them."
        )
    return words


def _write_summary(out: Path, contour: Contour, report: ContourReport) -> Path:
    plan = contour.plan
    path = out / CONTOUR_FILE
    content = {
        "rule": contour.as_dict(),
        "confidence_of_each_look": contour.judged_by.confidence,
        "cells": plan.n_cells,
        "cells_tested": len(report.verdicts),
        "pictures": report.run.found + report.run.added,
        "pictures_of_the_full_grid": plan.n_pictures,
        "tested": [
            {
                "range_m": plan.ranges_m[r],
                "turn_deg": plan.turns_deg[t],
                "pitch_deg": plan.pitches_deg[p],
                "verdicts": found,
            }
            for (r, t, p), found in sorted(report.verdicts.items())
        ],
    }
    write_atomically(path, json.dumps(content, indent=1, ensure_ascii=False).encode())
    return path


def _draw(
    out: Path, place: Bay, job: Job, contour: Contour, report: ContourReport, cells: pl.DataFrame
) -> Path:
    # matplotlib takes a second to load, which workers and dry runs needn't spend
    from bench.draw import style
    from bench.draw.map_info import MapInfo
    from bench.maps.contour import contour_figure

    plan = contour.plan
    info = MapInfo(
        bay=place.name,
        target=place.target.name,
        camera=camera_words(job.setting.camera, plan.tower),
        seed=plan.seed,
        pictures=plan.trials * len(plan.positions),
        version=__version__,
        request=contour.request,
        axle_ranges=axle_ranges(place, plan.tower),
        fewest=contour.looks[0] * len(plan.positions),
    )
    at = ["range_m", "turn_deg", "pitch_deg"]
    axes = (plan.ranges_m, plan.turns_deg, plan.pitches_deg)
    trials = {
        (axes[0].index(r), axes[1].index(t), axes[2].index(p)): n
        for r, t, p, n in cells.group_by(at).agg(pl.col("n").first()).iter_rows()
    }
    with style.applied():
        figure = contour_figure(contour, report.verdicts, trials, info)
        return style.save(figure, out / "contour.png")
