"""Options that commands which run surveys share, and their words for a plan."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bench.cli.grids import parse_angle_grid, parse_length_grid
from bench.cli.options import option, quantity_option
from bench.cli.origin import origin_of
from bench.cli.progress import progress_bar, shifted, stop_on_interrupt
from bench.errors import ConfigError
from bench.provenance import now
from bench.scene.fields import ROLL, ROLL_SPREAD, TOLERANCE

if TYPE_CHECKING:
    from bench.scene.model import Bay
    from bench.survey.executors import Executor
    from bench.survey.run import RunReport
    from bench.survey.verdicts import Request
    from bench.survey.worker import Job

INTERRUPTED = 130
FROM_BAY = "from the bay file"


def within_option(default: str = FROM_BAY) -> Any:
    """Return ``--within``; `default` says where it comes from without it."""
    return quantity_option(
        'Largest angle of a picture\'s rotation error, such as "0.1 deg".', TOLERANCE, default
    )


def success_option(default: str = FROM_BAY) -> Any:
    """Return ``--success``; see `within_option`."""
    return option("RATE", "Least rate of pictures that are usable and within it, 0 to 1.", default)


def confidence_option(default: str = FROM_BAY) -> Any:
    """Return ``--confidence``; see `within_option`."""
    return option("RATE", "With which that rate is shown, one-sided, 0.5 to 1.", default)


def ranges_option(default: str = FROM_BAY) -> Any:
    """Return ``--ranges``; `default` says where ranges come from without it."""
    return typer.Option(
        parser=parse_length_grid,
        metavar="LENGTHS",
        help='Ranges, camera to target: "2.5, 4, 6 m", or start:stop:step "2 m:20 m:2 m".',
        show_default=default,
    )


def turns_option(default: str = FROM_BAY) -> Any:
    """Return ``--turns``; see `ranges_option`."""
    return typer.Option(
        parser=parse_angle_grid,
        metavar="ANGLES",
        help='Turns about the target\'s vertical: "0, 30, 60 deg" or "0 deg:75 deg:15 deg".',
        show_default=default,
    )


def trials_option(default: str = FROM_BAY) -> Any:
    """Return ``--trials``; see `ranges_option`."""
    return typer.Option(min=1, metavar="N", help="Pictures a cell.", show_default=default)


def pipeline_option(default: str = FROM_BAY) -> Any:
    """Return ``--pipeline``; see `ranges_option`."""
    return option(
        "DETECTOR/SOLVER",
        "Such as aruco-subpix/ippe-lm. May be given several times; all see the same pictures.",
        default,
    )


PitchesOption = Annotated[
    Any,
    option(
        "ANGLES",
        "Pitches about the target's horizontal, written as turns are.",
        FROM_BAY,
        parser=parse_angle_grid,
    ),
]
# Give it ``"0 deg"``: typer parses the default too.
RollOption = Annotated[float, quantity_option("Nominal roll about the line of sight.", ROLL)]
RollSpreadOption = Annotated[
    float | None,
    quantity_option("Half width of the roll's variation within a cell.", ROLL_SPREAD, FROM_BAY),
]
PositionOption = Annotated[
    list[str] | None,
    option(
        "WHEELS|AXIS|U,V",
        "Where in the picture: 'wheels' draws a place where this bay's wheels appear at "
        "about that range; 'axis'; or fractions across and down such as 0.2,0.5. May be given "
        "several times; every place gets all trials, and bays of its own.",
        "from the bay file, else wheels; as drawn axis",
    ),
]
AsDrawnOption = Annotated[
    bool,
    typer.Option(
        "--as-drawn",
        help="Leave the bay's imperfections out: noise alone, as if camera, print and plate were "
        "what they are drawn to be.",
    ),
]
TowerOption = Annotated[str | None, option("NAME", "Whose camera to look through.", "the first")]
WorkersOption = Annotated[int | None, option("N", "Processes.", "one a core", min=1, max=256)]
SchedulerOption = Annotated[
    str | None,
    option(
        "ADDRESS",
        "A Dask scheduler whose workers do the work, tcp://host:8786, instead of this "
        "machine's processes. The numbers are the same. Needs sightbench[cluster], there too. "
        "A scheduler runs code for whoever can reach it, and this machine believes what it "
        "answers: use one on a network you trust, or Dask's own TLS.",
    ),
]
ChunkOption = Annotated[int, option("N", "Pictures handed to a worker at a time.", min=1)]
DryRunOption = Annotated[
    bool, typer.Option("--dry-run", help="Print the plan and about how long it takes.")
]


def executor_of(workers: int | None, scheduler: str | None) -> Executor:
    """Return who works on a survey.

    Raises
    ------
    ConfigError
        Both are given.
    """
    from bench.survey.cluster import ClusterExecutor
    from bench.survey.executors import ProcessExecutor

    if scheduler is None:
        return ProcessExecutor(processes_of(workers))
    if workers is not None:
        raise ConfigError("--workers: is for this machine; a scheduler's workers are its own")
    return ClusterExecutor(scheduler, lambda words: typer.echo(f"{scheduler}: {words}", err=True))


def processes_of(workers: int | None) -> int:
    """Return how many processes work on this machine."""
    return workers or os.cpu_count() or 1


def changed_request(
    request: Request, within: float | None, success: float | None, confidence: float | None
) -> Request:
    """Return a request with what is given in place of its own; `within` in radians.

    Raises
    ------
    ConfigError
        A number is outside its limits.
    """
    given: dict[str, Any] = {
        # as it was written: a radian back in degrees has lost its last digits
        "within_deg": None if within is None else float(f"{math.degrees(within):.12g}"),
        "success": success,
        "confidence": confidence,
    }
    return replace(request, **{name: v for name, v in given.items() if v is not None})


def degrees(radians: tuple[float, ...] | None) -> tuple[float, ...] | None:
    """Return angles in degrees; None stays None."""
    return None if radians is None else tuple(map(math.degrees, radians))


def setting_words(job: Job) -> dict[str, str]:
    """Return a run's camera and target as run.json names them."""
    from bench.survey.plan_words import camera_words

    return {
        "target": job.setting.target.name,
        "camera": camera_words(job.setting.camera, job.plan.tower),
    }


def warn_of_failures(report: RunReport) -> None:
    """Name the pipelines whose plug-in failed, on stderr."""
    for name, failure in report.failures.items():
        typer.echo(f"warning: {name} failed and was counted not finite: {failure}", err=True)


def run_surveys(
    out: Path,
    surveys: Iterable[tuple[Path, Bay, Job]],
    executor: Executor,
    workers: int | str,
    chunk: int,
    quiet: bool,
) -> bool:
    """Run surveys as far as they aren't done; tell whether all are whole.

    Parameters
    ----------
    out : Path
        What is said to keep them.
    surveys : iterable of (Path, Bay, Job)
        Each one's directory, bay and job, in the order of work.
    executor : Executor
        Who works.
    workers : int or str
        How many processes, or which scheduler's, for the run's file.
    chunk : int
        Pictures handed over at a time.
    quiet : bool
        No progress bar.
    """
    from bench.survey.run import run_survey
    from bench.survey.run_file import write_run_file
    from bench.survey.store import RunStore

    each = list(surveys)
    total = sum(job.plan.n_pictures for _, _, job in each)
    before = done = 0
    with stop_on_interrupt() as stop, progress_bar("pictures", quiet) as progress:
        for folder, bay, job in each:
            if stop():
                break
            moved = shifted(progress, before, total)
            begun = now()
            report = run_survey(job, RunStore(folder), executor, chunk, moved, stop)
            words, origin = setting_words(job), origin_of(bay, started=begun)
            write_run_file(folder, job.plan, words, report, workers, origin)
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
