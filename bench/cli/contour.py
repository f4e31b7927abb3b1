"""`sightbench contour`: find where a tolerance stops holding, with as few pictures as it takes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import typer

from bench.cli import surveying
from bench.cli.limits import exit_code
from bench.cli.options import BayArgument, PlaceOption, QuietOption, SeedOption, option
from bench.cli.origin import origin_of
from bench.cli.progress import progress_bar, stop_on_interrupt
from bench.cli.saying import say, say_written
from bench.defaults import CHUNK, MAX_LEVELS

DEFAULT_OUT = Path("sightbench-contour")
DEFAULT_TRIALS = 400


def command(
    bay: BayArgument = None,
    out: PlaceOption = DEFAULT_OUT,
    within: Annotated[float | None, surveying.within_option()] = None,
    success: Annotated[float | None, surveying.success_option()] = None,
    confidence: Annotated[float | None, surveying.confidence_option()] = None,
    ranges: Annotated[Any, surveying.ranges_option()] = None,
    turns: Annotated[Any, surveying.turns_option()] = None,
    pitches: surveying.PitchesOption = None,
    levels: Annotated[
        int,
        option(
            "N",
            "How often the grid's intervals are halved where the contour crosses them.",
            min=0,
            max=MAX_LEVELS,
        ),
    ] = 2,
    looks: Annotated[
        int,
        option(
            "N", "How often a cell is judged, each time after twice as many trials.", min=1, max=12
        ),
    ] = 4,
    trials: Annotated[int, surveying.trials_option(str(DEFAULT_TRIALS))] = DEFAULT_TRIALS,
    pipeline: Annotated[list[str] | None, surveying.pipeline_option()] = None,
    seed: SeedOption = None,
    tower: surveying.TowerOption = None,
    as_drawn: surveying.AsDrawnOption = False,
    workers: surveying.WorkersOption = None,
    scheduler: surveying.SchedulerOption = None,
    chunk: surveying.ChunkOption = CHUNK,
    dry_run: surveying.DryRunOption = False,
    pictures: Annotated[bool, typer.Option(help="Draw contour.png.")] = True,
    quiet: QuietOption = False,
) -> int:
    """Find where a tolerance stops holding, spending pictures where that isn't clear.

    Starts with the grid of 'sightbench map', judges each cell after a few trials, and again
    after twice as many where that doesn't decide, up to --trials; a pipeline that is decided
    there isn't run again. Then halves the grid's intervals where neighbours differ, and goes on
    there. The looks of a cell share the error
    that the confidence allows, exactly, so that looking often doesn't make a cell pass by luck.
    It is the way to decide where a limit ends: 'sightbench map' looks as often at every cell.

    What lies between tested cells that agree is assumed to be like them: a hole smaller than
    the grid that you give isn't found. 'sightbench map' tests every cell. It says at the end
    how many pictures the full grid would have taken; --dry-run says it before.

    A stopped run goes on with the same command. 'sightbench limits DIR' reads the result.

    Every picture is of a bay as built, as 'sightbench map' has it; --as-drawn leaves noise
    alone.

    Ends with 0 where any limit holds, 1 where none does, 3 where none does but some are
    undecided.

    \b
    Examples:
      sightbench contour
      sightbench contour my-bay.toml --within "0.2 deg" --levels 3 --trials 1600
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    from bench.built.sizes import AS_DRAWN_WORDS, sizes_words
    from bench.scene.load import load_bay
    from bench.survey.cells import summarise
    from bench.survey.contour import contour_of
    from bench.survey.contour_file import write_contour
    from bench.survey.contour_run import run_contour
    from bench.survey.contour_words import plan_words, spent_words, time_words
    from bench.survey.grid_phase import phase_lines, roll_words
    from bench.survey.limits import find_limits
    from bench.survey.run import check_pipelines
    from bench.survey.run_file import RUN_FILE, write_run_file
    from bench.survey.setting import check_plan
    from bench.survey.setup import job_of_bay, request_of_bay
    from bench.survey.store import CASES_FILE, RunStore, open_cases
    from bench.survey.summary import reach_words
    from bench.survey.tables import write_cells, write_limits

    place = load_bay(bay)
    request = surveying.changed_request(request_of_bay(place), within, success, confidence)
    job = job_of_bay(
        place,
        tower,
        as_built=not as_drawn,
        ranges_m=ranges,
        turns_deg=surveying.degrees(turns),
        pitches_deg=surveying.degrees(pitches),
        trials=trials,
        pipelines=tuple(pipeline) if pipeline else None,
        seed=seed,
    )
    contour = contour_of(job.plan, request, levels, looks)
    job = replace(job, plan=contour.plan)
    executor = surveying.executor_of(workers, scheduler)
    check_plan(job.plan, job.setting)
    check_pipelines(job)
    typer.echo(AS_DRAWN_WORDS if as_drawn else sizes_words(place))
    if dry_run:
        typer.echo(plan_words(contour))
        typer.echo(time_words(job, contour, surveying.processes_of(workers)))
        return 0
    store = RunStore(out, contour.as_dict())
    with stop_on_interrupt() as stop, progress_bar("pictures", quiet) as progress:
        report = run_contour(job, contour, store, executor, chunk, progress, stop)
    write_run_file(
        out,
        job.plan,
        surveying.setting_words(job),
        report.run,
        scheduler or surveying.processes_of(workers),
        origin_of(place),
    )
    surveying.warn_of_failures(report.run)
    if not report.complete:
        typer.echo(
            f"{report.run.found + report.run.added} pictures are done and kept in {out}; the "
            "same command goes on from there.",
            err=True,
        )
        return surveying.INTERRUPTED
    origin = origin_of(place, job.plan.seed)
    cases = open_cases(out)
    rolls = roll_words(job.plan.roll_deg, job.plan.roll_spread_deg)
    limits = find_limits(cases, request, contour.judged_by, rolls)
    written = [out / CASES_FILE, out / RUN_FILE]
    cells = summarise(cases)
    written += write_cells(out, cells) + write_limits(out, limits, origin)
    written.append(write_contour(out, contour, report, origin))
    if pictures:
        # matplotlib takes a second to load, which workers and dry runs needn't spend
        from bench.maps.contour import write_contour_picture

        written.append(write_contour_picture(out, place, job, contour, report, cells))
    say_written(out, written)
    typer.echo(spent_words(contour, report))
    typer.echo(reach_words(limits))
    say(phase_lines(limits.phase))
    return exit_code(limits.verdict)
