"""`sightbench limits`: ask a finished run how far and how steep a tolerance holds."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bench.cli.options import parse_place
from bench.cli.origin import origin_of
from bench.cli.surveying import (
    changed_request,
    confidence_option,
    detection_option,
    rotation_option,
    statistic_option,
)
from bench.errors import RunError
from bench.files import make_directory
from bench.provenance import now
from bench.survey.limit_words import limit_lines
from bench.survey.limits import NONE, find_limits
from bench.survey.run_file import RUN_FILE, read_run_file
from bench.survey.store import RunStore, open_cases
from bench.survey.tables import LIMITS_FILES, read_limits, write_limits
from bench.survey.verdicts import HOLDS, Request

DEFAULT_RUN = Path("sightbench-map")
MAPS_OWN = "the map's own"
EXIT = {HOLDS: 0, NONE: 1}
UNDECIDED_EXIT = 3


def command(
    run: Annotated[
        Path,
        typer.Argument(
            metavar="DIR",
            parser=parse_place,
            help="The directory of a finished `sightbench map`, or its address in a store.",
        ),
    ] = DEFAULT_RUN,
    rotation: Annotated[float | None, rotation_option(MAPS_OWN)] = None,
    detection: Annotated[float | None, detection_option(MAPS_OWN)] = None,
    confidence: Annotated[float | None, confidence_option(MAPS_OWN)] = None,
    statistic: Annotated[str | None, statistic_option(MAPS_OWN)] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            parser=parse_place,
            help="Write limits.json and tables here too.",
            show_default="no files",
        ),
    ] = None,
) -> int:
    """Say, from a finished run, where a tolerance holds; nothing is rendered.

    For each pipeline: the longest range at each tilt, up to which every tested range holds, and
    the tilts that hold at each range. A cell holds where the bad end of a one-sided interval is
    inside the tolerance, fails where the good end is outside, and is undecided between; then
    the number of trials that would decide is named. Rates are judged by Wilson's bound: with no
    failure at all, 0.99 at 95 % takes 268 trials (and a true rate of just 0.99 passes it in 6.8 %
    of surveys, not 5).

    Ends with 0 where any limit holds, 1 where none does, 3 where none does but some are
    undecided.
    """
    if not run.exists():
        raise RunError(f"there is no run at {run}; `sightbench map --out {run}` makes one")
    started = now()
    cases = open_cases(run)
    asked = _asked_by_map(run)
    request = changed_request(asked, rotation, detection, confidence, statistic)
    limits = find_limits(cases, request)
    for line in limit_lines(limits):
        typer.echo(line)
    if request != asked and "rule" in (RunStore(run).stored_plan() or {}):
        typer.echo(
            "This is a run of `sightbench contour` for another question. It looked at a cell "
            "until that one was decided, so that the confidence holds for this one only about; "
            "what lies between the cells that it tested isn't known."
        )
    if out is not None:  # never unasked: the run's own files belong to its pictures
        make_directory(out)
        parts = read_run_file(run).parts if (run / RUN_FILE).exists() else {}
        written = write_limits(out, limits, origin_of(started, parts=parts))
        typer.echo(f"Wrote to {out}: {', '.join(path.name for path in written)}.")
    return EXIT.get(limits.verdict, UNDECIDED_EXIT)


def _asked_by_map(run: Path) -> Request:
    """Return the question that a run's limits.json answers; the default where there is none.

    Raises
    ------
    ConfigError
        It is damaged.
    """
    if not (run / LIMITS_FILES[0]).exists():
        return Request()
    return read_limits(run).request
