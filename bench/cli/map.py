"""`sightbench map`: survey a bay and say how far and how steep its camera measures well."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Any

import polars as pl
import typer

from bench import __version__
from bench.cli.grids import parse_position
from bench.cli.options import BayArgument, PlaceOption, SeedOption
from bench.cli.progress import progress_bar, stop_on_interrupt
from bench.cli.surveying import (
    DEFAULT_CHUNK,
    INTERRUPTED,
    ChunkOption,
    DryRunOption,
    PitchesOption,
    PositionOption,
    QuietOption,
    RollOption,
    RollSpreadOption,
    SchedulerOption,
    TowerOption,
    WorkersOption,
    bay_facts,
    camera_words,
    degrees,
    executor_of,
    listed,
    pipeline_option,
    power_words,
    processes_of,
    ranges_option,
    trials_option,
    turns_option,
    warn_of_failures,
)
from bench.scene.load import load_bay
from bench.scene.model import Bay
from bench.survey import provenance
from bench.survey.ambiguity import ambiguity_table, with_predictions
from bench.survey.cells import summarise
from bench.survey.limits import Limits, find_limits
from bench.survey.pace import duration_words, measure_pace
from bench.survey.pieces import Cases
from bench.survey.run import check_pipelines, run_survey
from bench.survey.setting import check_plan, cut_cells
from bench.survey.setup import axle_ranges, job_of_bay, request_of_bay
from bench.survey.store import CASES_FILE, TIMINGS_FILE, RunStore, open_cases
from bench.survey.summary import failure_words, reach_words
from bench.survey.tables import write_cells, write_limits, write_table
from bench.survey.verdicts import Request
from bench.survey.worker import Job, case_of_row, picture_of_case

DEFAULT_OUT = Path("sightbench-map")


def command(
    bay: BayArgument = None,
    out: PlaceOption = DEFAULT_OUT,
    ranges: Annotated[Any, ranges_option()] = None,
    turns: Annotated[Any, turns_option()] = None,
    pitches: PitchesOption = None,
    roll: RollOption = "0 deg",  # type: ignore[assignment]  # typer parses the default too
    roll_spread: RollSpreadOption = None,
    position: PositionOption = None,
    trials: Annotated[int | None, trials_option()] = None,
    pipeline: Annotated[list[str] | None, pipeline_option()] = None,
    seed: SeedOption = None,
    tower: TowerOption = None,
    workers: WorkersOption = None,
    scheduler: SchedulerOption = None,
    chunk: ChunkOption = DEFAULT_CHUNK,
    dry_run: DryRunOption = False,
    pictures: Annotated[bool, typer.Option(help="Draw the maps and the contact sheet.")] = True,
    quiet: QuietOption = False,
) -> int:
    """Map detection rate and pose error over range and tilt, and the limits that follow.

    Renders the bay's target at every range, turn and pitch as the tower's camera would see it,
    runs every pipeline on every picture, scores them against the truth and writes tables and
    pictures to DIR.

    cases.parquet, a row a picture and pipeline, is a directory with a Parquet file a range; what
    reads Parquet data sets reads it whole.

    A run that was stopped or killed goes on when the same command is given again, and ends with
    the same tables. `sightbench limits DIR` asks a finished run about other tolerances.
    """
    started = provenance.now()
    place = load_bay(bay)
    job = job_of_bay(
        place,
        tower,
        ranges_m=ranges,
        turns_deg=degrees(turns),
        pitches_deg=degrees(pitches),
        roll_deg=math.degrees(roll),
        roll_spread_deg=None if roll_spread is None else math.degrees(roll_spread),
        positions=tuple(map(parse_position, position)) if position else None,
        trials=trials,
        pipelines=tuple(pipeline) if pipeline else None,
        seed=seed,
    )
    request = request_of_bay(place)
    executor = executor_of(workers, scheduler)
    check_plan(job.plan, job.setting)
    check_pipelines(job)
    if dry_run:
        _print_plan(place, job, request, processes_of(workers))
        return 0
    with stop_on_interrupt() as stop, progress_bar("pictures", quiet) as progress:
        report = run_survey(job, RunStore(out), executor, chunk, progress, stop)
    provenance.write_run_file(
        out, job.plan, bay_facts(place, job), report, started, scheduler or processes_of(workers)
    )
    warn_of_failures(report)
    if not report.complete:
        done = report.found + report.added
        typer.echo(
            f"{done} of {report.total} pictures are done and kept in {out}; the same command "
            "goes on from there.",
            err=True,
        )
        return INTERRUPTED
    cases = open_cases(out)
    cells, limits = summarise(cases), find_limits(cases, request)
    written = [out / CASES_FILE, out / TIMINGS_FILE, out / provenance.RUN_FILE]
    written += write_cells(out, cells) + write_limits(out, limits)
    lines = [reach_words(limits), failure_words(cells)]
    if pictures:
        with progress_bar("drawing", quiet):
            drawn, words = _draw(out, place, job, cases, cells, limits)
        written += drawn
        lines.insert(1, words)
    typer.echo(f"Wrote to {out}: {', '.join(path.name for path in written)}.")
    for line in filter(None, lines):
        typer.echo(line)
    return 0


def _draw(
    out: Path, bay: Bay, job: Job, cases: Cases, cells: pl.DataFrame, limits: Limits
) -> tuple[list[Path], str]:
    """Write all pictures; return them, and what they say of tilt 0."""
    # matplotlib takes a second to load, which workers and dry runs needn't spend
    from bench.draw import style
    from bench.draw.cell_grid import CellGrid
    from bench.draw.map_info import MapInfo
    from bench.maps.ambiguity import ambiguity_figure
    from bench.maps.contact_sheet import contact_shots, write_contact_sheet
    from bench.maps.curves import face_on_words
    from bench.maps.figures import write_map_figures

    info = MapInfo(
        bay=bay.name,
        target=bay.target.name,
        camera=camera_words(job.setting.camera, job.plan.tower),
        seed=job.plan.seed,
        pictures=job.plan.trials * len(job.plan.positions),
        version=__version__,
        request=limits.request,
        axle_ranges=axle_ranges(bay, job.plan.tower),
    )
    files = write_map_figures(out, cases, cells, limits, info)
    mirrored = with_predictions(ambiguity_table(cases), job.setting)
    files += write_table(out, "mirrored", mirrored)
    if not mirrored.is_empty():
        with style.applied():
            files.append(style.save(ambiguity_figure(mirrored, info), out / "map_ambiguity.png"))
    shots = contact_shots(
        cases, cells, lambda row: picture_of_case(case_of_row(row, job.plan), job)
    )
    files.append(write_contact_sheet(out, shots, info))
    return files, face_on_words(CellGrid.of(cells), info)


def _print_plan(bay: Bay, job: Job, request: Request, workers: int) -> None:
    """Print the plan, what it can decide, and about how long it takes."""
    plan = job.plan
    positions = len(plan.positions)
    per_cell = plan.trials * positions
    typer.echo(f"bay        {bay.name} ({bay.path})")
    typer.echo(f"camera     {camera_words(job.setting.camera, plan.tower)}")
    typer.echo(f"target     {bay.target.name}")
    typer.echo(f"ranges     {listed(plan.ranges_m)} m")
    typer.echo(f"turns      {listed(plan.turns_deg)} deg")
    typer.echo(f"pitches    {listed(plan.pitches_deg)} deg")
    typer.echo(f"places     {positions} in the picture")
    typer.echo(f"pipelines  {', '.join(plan.pipelines)}")
    typer.echo(
        f"cases      {plan.n_cells} cells × {per_cell} pictures = {plan.n_pictures} pictures, "
        f"{plan.n_rows} rows; seed {plan.seed}"
    )
    typer.echo(f"decides    {power_words(per_cell, request)}")
    cut = cut_cells(plan, job.setting)
    if cut:
        typer.echo(f"note       in {cut} cells the pattern isn't wholly in the picture")
    pace = measure_pace(job)
    typer.echo(
        f"time       about {duration_words(pace.seconds(plan, workers))} with {workers} workers "
        f"({1e3 * pace.picture_s:.0f} ms a picture, measured on {pace.pictures}), "
        "and some seconds to start and to draw"
    )
