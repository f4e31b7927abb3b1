"""`sightbench choose`: compare drawings on one plate and say which to take."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bench.cli import surveying
from bench.cli.grids import parse_position
from bench.cli.limits import exit_code
from bench.cli.options import (
    BayArgument,
    PlaceOption,
    QuietOption,
    SeedOption,
    option,
    parse_angle,
)
from bench.cli.origin import origin_of
from bench.cli.progress import progress_bar
from bench.cli.saying import say, say_written
from bench.cli.targets import parse_plate
from bench.defaults import CHUNK

if TYPE_CHECKING:
    from bench.scene.model import Bay
    from bench.survey.worker import Job
    from bench.targets.fill import Plate

DEFAULT_OUT = Path("sightbench-choose")
# Five drawings with two pipelines each: so many cells and pictures keep a run short.
MOST_RANGES, MOST_TURNS = 7, 4


def command(
    bay: BayArgument = None,
    out: PlaceOption = DEFAULT_OUT,
    candidate: Annotated[
        list[str] | None,
        option(
            "DRAWING",
            "Such as 'grid:36h11:2x2', which fills the plate, or with sizes as in "
            "'grid:36h11:2x2:80 mm:20 mm'; 'bay' is the bay's own target. May be given several "
            "times.",
            "the five above",
        ),
    ] = None,
    plate: Annotated[
        str | None,
        option(
            "SIZE",
            'Size of the plate that every drawing is on: "250 mm", or "300 x 250 mm".',
            "that of the bay's target",
        ),
    ] = None,
    within: Annotated[float | None, surveying.within_option()] = None,
    success: Annotated[float | None, surveying.success_option()] = None,
    confidence: Annotated[float | None, surveying.confidence_option()] = None,
    ranges: Annotated[Any, surveying.ranges_option(f"{MOST_RANGES} of the bay file's")] = None,
    turns: Annotated[Any, surveying.turns_option(f"{MOST_TURNS} of the bay file's")] = None,
    pitches: surveying.PitchesOption = None,
    roll: surveying.RollOption = "0 deg",  # type: ignore[assignment]  # typer parses the default too
    roll_spread: surveying.RollSpreadOption = None,
    position: surveying.PositionOption = None,
    trials: Annotated[
        int | None, surveying.trials_option("the fewest that show what is asked with one miss")
    ] = None,
    pipeline: Annotated[
        list[str] | None,
        surveying.pipeline_option(
            "ippe-lm and photometric on the detector that suits each drawing"
        ),
    ] = None,
    seed: SeedOption = None,
    tower: surveying.TowerOption = None,
    as_drawn: surveying.AsDrawnOption = False,
    show_turn: Annotated[
        float,
        option(
            "ANGLE",
            "Turn at which errors and pictures are drawn; the nearest surveyed is taken.",
            parser=parse_angle,
        ),
    ] = "45 deg",  # type: ignore[assignment]  # typer parses the default too
    workers: surveying.WorkersOption = None,
    scheduler: surveying.SchedulerOption = None,
    chunk: surveying.ChunkOption = CHUNK,
    dry_run: surveying.DryRunOption = False,
    pictures: Annotated[bool, typer.Option(help="Draw choice.png.")] = True,
    quiet: QuietOption = False,
) -> int:
    """Say which drawing on a plate holds the tolerance farthest: one marker, grids, a board.

    Every candidate is drawn as large as the same plate allows and surveyed as 'sightbench map'
    does it, in the same views and with the same random numbers, so that candidates are compared
    picture by picture. Without --candidate there are five:

    \b
      marker:36h11:0          one marker
      grid:36h11:2x2          four markers
      grid:36h11:4x4          sixteen
      charuco:4x4_50:5x5      chessboard with markers in its white squares
      circles:5x5:symmetric   rows of black circles

    Each keeps the white that its detector needs: a marker one of its cells on every side (so
    that two in a grid are two cells apart), a chessboard's marker one cell within its square
    and the board one around it, circles as much between them as they are wide and half a pitch
    around. Sizes are rounded down to 0.1 mm.

    A drawing is credited with the cells of range and tilt within its limits: every tested range
    up to the longest that holds. It is recommended only if no other may hold more, counting for
    the others what is still undecided; more --trials decide more. Each limit has the stated
    confidence by itself, not all of them together.

    Every picture is of a bay as built, as 'sightbench map' has it, and all candidates see the
    same bays; --as-drawn leaves noise alone. What isn't shown: a covered corner, other layouts
    of the same kind. What is written says what each kind is prone to.

    Each candidate's run is kept in a directory of its own in DIR, where 'sightbench limits' can
    ask it about other tolerances; a run that was stopped goes on with the same command.

    Ends with 0 where any drawing holds anywhere, 1 where none does, 3 where none does but some
    are undecided.

    \b
    Examples:
      sightbench choose
      sightbench choose my-bay.toml --plate "300 x 250 mm" --turns "20, 50 deg" --trials 300
      sightbench choose --candidate bay --candidate charuco:5x5_100:7x7 --out boards
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    from bench.built.sizes import AS_DRAWN_WORDS, sizes_words
    from bench.choice.candidates import default_trials, jobs_of, read_candidates
    from bench.choice.choice import Surveyed, choose_drawing
    from bench.choice.report_words import choice_words, common_plan, plan_words, table_words
    from bench.choice.tables import write_choice
    from bench.draw.cell_grid import choose
    from bench.scene.load import load_bay
    from bench.survey.grid_phase import roll_words
    from bench.survey.setup import request_of_bay
    from bench.survey.store import open_cases
    from bench.survey.tables import write_cells, write_limits

    place = load_bay(bay)
    asked = surveying.changed_request(request_of_bay(place), within, success, confidence)
    board = read_plate(place, plate)
    candidates = read_candidates(candidate or (), place.target, board, pipeline or ())
    jobs = jobs_of(
        candidates,
        place,
        tower,
        as_built=not as_drawn,
        ranges_m=ranges or tuple(choose(sorted(place.survey.ranges_m), MOST_RANGES)),
        turns_deg=surveying.degrees(turns)
        or tuple(choose(sorted(place.survey.turns_deg), MOST_TURNS)),
        pitches_deg=surveying.degrees(pitches),
        roll_deg=math.degrees(roll),
        roll_spread_deg=None if roll_spread is None else math.degrees(roll_spread),
        positions=tuple(map(parse_position, position)) if position else None,
        trials=trials or default_trials(asked),
        seed=seed,
    )
    executor = surveying.executor_of(workers, scheduler)
    typer.echo(AS_DRAWN_WORDS if as_drawn else sizes_words(place))
    if dry_run:
        say(plan_words(place, board, candidates, jobs, asked, surveying.processes_of(workers)))
        return 0
    surveys = [(out / each.folder, place, jobs[each.name]) for each in candidates]
    who = scheduler or surveying.processes_of(workers)
    if not surveying.run_surveys(out, surveys, executor, who, chunk, quiet):
        return surveying.INTERRUPTED
    origin = origin_of(place, common_plan(jobs).seed)
    surveyed = []
    rolls = roll_words(common_plan(jobs).roll_deg, common_plan(jobs).roll_spread_deg)
    for each in candidates:
        found = Surveyed.of(each, open_cases(out / each.folder), asked, rolls)
        write_cells(out / each.folder, found.cells)
        write_limits(out / each.folder, found.limits, origin)
        surveyed.append(found)
    choice = choose_drawing(surveyed, asked)
    lines = choice_words(place, choice, jobs)
    written = write_choice(out, choice, board, lines, plan_facts(jobs), origin)
    if pictures:
        with progress_bar("drawing", quiet):
            # matplotlib takes a second to load, which workers and dry runs needn't spend
            from bench.choice.figure import draw_choice

            written.append(draw_choice(out, place, board, choice, jobs, show_turn))
    folders = ", ".join(f"{each.folder}/" for each in candidates)
    say_written(out, written, f"; runs in {folders}")
    say((*table_words(board, choice, jobs), *lines))
    return exit_code(choice.verdict)


def read_plate(bay: Bay, text: str | None) -> Plate:
    """Return the bay target's plate, in the size that is asked for: one side, or W x H.

    Raises
    ------
    ConfigError, TargetError
        It isn't a size.
    """
    from bench.targets.fill import Plate

    own = Plate.of(bay.target)
    if text is None:
        return own
    sides = parse_plate(text if re.search("[x×]", text) else f"{text} x {text}")
    return dataclasses.replace(own, width=sides[0], height=sides[1])


def plan_facts(jobs: Mapping[str, Job]) -> dict[str, Any]:
    """Return what every drawing is surveyed by."""
    from bench.choice.report_words import common_plan

    plan = common_plan(jobs)
    return {
        "tower": plan.tower,
        "pictures_a_cell": plan.trials * len(plan.positions),
        "ranges_m": plan.ranges_m,
        "turns_deg": plan.turns_deg,
        "pitches_deg": plan.pitches_deg,
    }
