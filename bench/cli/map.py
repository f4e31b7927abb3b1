"""`sightbench map`: survey a bay and say how far and how steep its camera measures well."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Any

import typer

from bench.cli import surveying
from bench.cli.grids import parse_position
from bench.cli.map_vary import VaryOption, vary
from bench.cli.options import BayArgument, PlaceOption, QuietOption, SeedOption
from bench.cli.origin import origin_of
from bench.cli.progress import progress_bar
from bench.cli.saying import say, say_written
from bench.cli.this_bay import ThisBayOption, this_bay
from bench.defaults import CHUNK
from bench.errors import ConfigError

DEFAULT_OUT = Path("sightbench-map")


def command(
    bay: BayArgument = None,
    out: PlaceOption = DEFAULT_OUT,
    ranges: Annotated[Any, surveying.ranges_option()] = None,
    turns: Annotated[Any, surveying.turns_option()] = None,
    pitches: surveying.PitchesOption = None,
    roll: surveying.RollOption = "0 deg",  # type: ignore[assignment]  # typer parses the default too
    roll_spread: surveying.RollSpreadOption = None,
    position: surveying.PositionOption = None,
    trials: Annotated[int | None, surveying.trials_option()] = None,
    pipeline: Annotated[list[str] | None, surveying.pipeline_option()] = None,
    seed: SeedOption = None,
    tower: surveying.TowerOption = None,
    as_drawn: surveying.AsDrawnOption = False,
    one_bay: ThisBayOption = None,
    vary_: VaryOption = None,
    workers: surveying.WorkersOption = None,
    scheduler: surveying.SchedulerOption = None,
    chunk: surveying.ChunkOption = CHUNK,
    dry_run: surveying.DryRunOption = False,
    pictures: Annotated[bool, typer.Option(help="Draw the maps and the contact sheet.")] = True,
    quiet: QuietOption = False,
) -> int:
    """Map detection rate and pose error over range and tilt, and the limits that follow.

    Renders the bay's target at every range, turn and pitch as the tower's camera would see it,
    runs every pipeline on every picture, scores them against the truth and writes tables and
    pictures to DIR.

    Every picture is of a bay of its own, as built: its camera, print, plate, light and dirt are
    off by what the bay file's [budget] and [imperfections] say, and pipelines know the drawing
    alone. Trial k is bay k in every cell. --as-drawn leaves noise alone.

    A cell holds where its pictures show that enough of all are usable and within tolerance, as
    the bay file's [tolerance] asks; --dry-run says how many misses that allows, and with which
    chance it is shown. Rolls are spread within a cell: where plates along the pixel rows, as at
    roll 0, come out worse, a warning says so.

    cases.parquet, a row a picture and pipeline, is a directory with a Parquet file a range; what
    reads Parquet data sets reads it whole.

    --vary takes one number of the bay file instead of the grid: what to mend first.

    A run that was stopped or killed goes on when the same command is given again, and ends with
    the same tables. `sightbench limits DIR` asks a finished run about other tolerances.
    """
    from bench.built.sizes import AS_DRAWN_WORDS, one_bay_words, sizes_words
    from bench.scene.load import load_bay
    from bench.survey.cells import summarise
    from bench.survey.grid_phase import phase_lines, roll_words
    from bench.survey.limits import find_limits
    from bench.survey.parts import parts_words
    from bench.survey.plan_words import map_plan_words
    from bench.survey.run import check_pipelines
    from bench.survey.run_file import RUN_FILE
    from bench.survey.setting import check_plan
    from bench.survey.setup import job_of_bay, request_of_bay
    from bench.survey.store import CASES_FILE, TIMINGS_FILE, open_cases
    from bench.survey.summary import failure_words, reach_words
    from bench.survey.tables import write_cells, write_limits

    if as_drawn and one_bay is not None:
        raise ConfigError("--this-bay: a bay as drawn has nothing of its own; leave one out")
    changes: dict[str, Any] = {
        "as_built": not as_drawn,
        "ranges_m": ranges,
        "turns_deg": surveying.degrees(turns),
        "pitches_deg": surveying.degrees(pitches),
        "roll_deg": math.degrees(roll),
        "roll_spread_deg": None if roll_spread is None else math.degrees(roll_spread),
        "positions": tuple(map(parse_position, position)) if position else None,
        "trials": trials,
        "pipelines": tuple(pipeline) if pipeline else None,
        "seed": seed,
    }
    who, executor = (
        scheduler or surveying.processes_of(workers),
        surveying.executor_of(workers, scheduler),
    )
    if vary_ is not None:
        if one_bay is not None or dry_run:
            raise ConfigError(
                "--vary: draws bays anew for each value; leave --this-bay and --dry-run out"
            )
        typer.echo(AS_DRAWN_WORDS if as_drawn else sizes_words(load_bay(bay)))
        return vary(
            vary_, bay, tower, changes, out, executor, who, chunk, pictures=pictures, quiet=quiet
        )
    this = this_bay(load_bay(bay), tower, seed, one_bay)
    place = this.bay
    job = job_of_bay(place, tower, one=this.one, errors=this.errors, **changes)
    request = request_of_bay(place)
    check_plan(job.plan, job.setting)
    check_pipelines(job)
    typer.echo(AS_DRAWN_WORDS if as_drawn else sizes_words(place))
    if not (as_drawn or position or job.plan.wheels or place.survey.pixels):
        typer.echo("No wheel is wholly in this camera's picture: targets stand on its axis.")
    if this.one is not None:
        typer.echo(one_bay_words(this.one.name))
    if dry_run:
        say(map_plan_words(place, job, request, surveying.processes_of(workers)))
        return 0
    if not surveying.run_surveys(out, [(out, place, job)], executor, who, chunk, quiet):
        return surveying.INTERRUPTED
    cases = open_cases(out)
    rolls = roll_words(job.plan.roll_deg, job.plan.roll_spread_deg)
    cells, limits = summarise(cases), find_limits(cases, request, rolls=rolls)
    written = [out / CASES_FILE, out / TIMINGS_FILE, out / RUN_FILE]
    written += write_cells(out, cells) + write_limits(out, limits, origin_of(place, job.plan.seed))
    lines = [reach_words(limits), *parts_words(cells), failure_words(cells)]
    lines += phase_lines(limits.phase)
    if pictures:
        with progress_bar("drawing", quiet):
            # matplotlib takes a second to load, which workers and dry runs needn't spend
            from bench.maps.files import write_map_pictures

            drawn, words = write_map_pictures(out, place, job, cases, cells, limits)
        written += drawn
        lines.insert(1, words)
    say_written(out, written)
    say(filter(None, lines))
    return 0
