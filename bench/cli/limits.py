"""`sightbench limits`: ask a finished run how far and how steep a tolerance holds."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bench.cli.options import option, parse_place
from bench.cli.origin import origin_of
from bench.cli.saying import say, say_written
from bench.cli.surveying import changed_request, confidence_option, success_option, within_option
from bench.errors import RunError
from bench.files import make_directory

if TYPE_CHECKING:
    from bench.survey.looks import Looks
    from bench.survey.verdicts import Request

DEFAULT_RUN = Path("sightbench-map")
MAPS_OWN = "the map's own"


def command(
    run: Annotated[
        Path,
        typer.Argument(
            metavar="DIR",
            parser=parse_place,
            help="The directory of a finished `sightbench map`, or its address in a store.",
        ),
    ] = DEFAULT_RUN,
    within: Annotated[float | None, within_option(MAPS_OWN)] = None,
    success: Annotated[float | None, success_option(MAPS_OWN)] = None,
    confidence: Annotated[float | None, confidence_option(MAPS_OWN)] = None,
    long: Annotated[
        bool, typer.Option("--long", help="Each tilt and range by itself, with what ends it.")
    ] = False,
    out: Annotated[
        Path | None,
        option("DIR", "Write limits.json and tables here too.", "no files", parser=parse_place),
    ] = None,
) -> int:
    """Say, from a finished run, where a tolerance holds; nothing is rendered.

    Of all pictures of a cell, are at least so many usable and within tolerance? A success is a
    picture with a usable pose whose rotation error, as an angle, is at most --within; anything
    else is a miss. A cell holds where the exact one-sided bound of the rate (Clopper-Pearson)
    shows --success, fails where it shows the contrary, and is undecided between: it hasn't been
    looked at often enough. 95 % at 95 % takes 59 pictures without a miss, 93 with one, 124 with
    two. Nothing is assumed of how errors are distributed.

    A line a pipeline says up to which range every tested range holds, at which tilts; --long
    says what ends each limit, and the tilts that hold at each range.

    Ends with 0 where any limit holds, 1 where none does, 3 where none does but some are
    undecided.
    """
    from bench.built.one_bay import one_bay_from
    from bench.built.sizes import one_bay_words
    from bench.survey.limit_words import limit_lines
    from bench.survey.limits import find_limits
    from bench.survey.run_file import RUN_FILE, read_run_file
    from bench.survey.store import RunStore, open_cases
    from bench.survey.tables import write_limits

    if not run.exists():
        raise RunError(f"there is no run at {run}; `sightbench map --out {run}` makes one")
    cases = open_cases(run)
    stored = RunStore(run).stored_plan() or {}
    asked = _asked_by_map(run)
    request = changed_request(asked, within, success, confidence)
    looks = _looks(stored) if request == asked else None
    limits = find_limits(cases, request, looks, _rolls(stored))
    say(limit_lines(limits, long))
    if stored.get("one"):
        typer.echo(one_bay_words(one_bay_from(stored["one"]).name))
    if looks is None and "rule" in stored:
        typer.echo(
            "This is a run of `sightbench contour` for another question. It looked at a cell "
            "until that one was decided, so that the confidence holds for this one only about; "
            "what lies between the cells that it tested isn't known."
        )
    if out is not None:  # never unasked: the run's own files belong to its pictures
        make_directory(out)
        parts = read_run_file(run).parts if (run / RUN_FILE).exists() else {}
        written = write_limits(out, limits, origin_of(parts=parts))
        say_written(out, written)
    return exit_code(limits.verdict)


def exit_code(verdict: str) -> int:
    """Return the exit code of what limits or a choice come to."""
    from bench.survey.limits import NONE
    from bench.survey.verdicts import HOLDS

    return {HOLDS: 0, NONE: 1}.get(verdict, 3)


def _asked_by_map(run: Path) -> Request:
    """Return the question that a run's limits.json answers; the default where there is none.

    Raises
    ------
    ConfigError
        It is damaged.
    """
    from bench.survey.tables import LIMITS_FILES, read_limits
    from bench.survey.verdicts import Request

    if not (run / LIMITS_FILES[0]).exists():
        return Request()
    return read_limits(run).request


def _looks(plan: dict[str, Any]) -> Looks | None:
    """Return what a contour's looks asked; None for a map, whose cells were looked at once."""
    from bench.survey.looks import plan_looks

    rule = plan.get("rule")
    if not isinstance(rule, dict) or "success" not in rule:
        return None
    pictures = tuple(n * len(plan["positions"]) for n in rule["looks"])
    return plan_looks(pictures, rule["success"], rule["confidence"])


def _rolls(plan: dict[str, Any]) -> str:
    """Return a run's rolls in words; empty for a table of cases alone."""
    from bench.survey.grid_phase import roll_words

    return roll_words(plan["roll_deg"], plan["roll_spread_deg"]) if plan else ""
