"""`sightbench verify`: record baselines, compare with them, check other people's pipelines."""

from __future__ import annotations

import os
from dataclasses import replace
from functools import partial
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.given import started_at
from bench.cli.options import QuietOption, option
from bench.cli.origin import origin_of
from bench.cli.progress import progress_bar, stop_on_interrupt
from bench.cli.saying import say_written
from bench.cli.surveying import INTERRUPTED, WorkersOption
from bench.defaults import SUITES
from bench.errors import ConfigError, RunError
from bench.files import together
from bench.verify.margins import Margins

if TYPE_CHECKING:
    from bench.verify.baseline import Baseline
    from bench.verify.record import Failure, Recording
    from bench.verify.rows import PipelineFactory
    from bench.verify.suite import Suite

NEGATIVE = 1
TIMEOUT_S = 10.0
DEFAULT_PIPELINE = "aruco-subpix/ippe-lm"
DEFAULT_BASELINE = Path("sightbench.baseline")
DEFAULT_OUT = Path("sightbench-verify")
CANDIDATE_FILE = "candidate.baseline"

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    add_completion=False,
    help="Tell whether a change made a pose pipeline worse.\n\n"
    "First 'sightbench verify record' runs a pipeline on a suite of pictures with known truth and "
    "keeps what came of each: a baseline, a small text file to commit beside your code. After a "
    "change, 'sightbench verify compare' runs the same pictures again and says, in words and by "
    "its exit code, whether the pipeline is as good.",
    epilog="Exit codes: 0 as good or better, 1 worse, 2 bad input, 3 could not judge.",
)

SuiteOption = Annotated[
    str,
    option("NAME|FILE.toml", f"A suite that ships ({', '.join(SUITES)}), or a file of your own."),
]
PipelineOption = Annotated[str | None, option("DETECTOR/SOLVER", "Which pipeline.")]
CommandOption = Annotated[
    str | None,
    option("'PROGRAM ...'", "An external pipeline instead: a program that answers JSON lines."),
]
TimeoutOption = Annotated[
    float,
    typer.Option(
        "--timeout",
        metavar="SECONDS",
        min=0.01,
        max=3600.0,
        help="Most time that an external pipeline may take for a picture.",
    ),
]


@app.command("record")
def record_command(
    suite: SuiteOption = "quick",
    pipeline: PipelineOption = None,
    command: CommandOption = None,
    timeout_s: TimeoutOption = TIMEOUT_S,
    out: Annotated[Path, option("FILE", "The baseline to write.")] = DEFAULT_BASELINE,
    noise: Annotated[
        int, typer.Option(min=0, help="Noise key; another one gives new sensor noise.")
    ] = 0,
    restart: Annotated[
        bool,
        typer.Option(
            "--restart", help="Drop what an unfinished recording has, after the pipeline changed."
        ),
    ] = False,
    workers: WorkersOption = None,
    quiet: QuietOption = False,
) -> int:
    """Run a pipeline on a suite and keep what came of each picture as a baseline.

    Without --pipeline or --command, aruco-subpix/ippe-lm is recorded. A recording that was
    stopped goes on when the same command is given again; FILE appears once it is whole.

    Suites of schema_version 2, as 'built', have a bay's imperfections in their pictures, each of
    a bay of its own; as_drawn = true in such a file leaves noise alone. Those of version 1 stay
    as drawn, so that baselines from before stay good.

    For instance:

      sightbench verify record --pipeline apriltag/ippe-lm --out apriltag.baseline

      sightbench verify record --suite hard --command './my-pipeline --fast'
    """
    from bench.verify.baseline import read_baseline
    from bench.verify.suite import load_suite
    from bench.verify.summary import baseline_words, failure_words
    from bench.verify.verdict import nothing_usable

    plan = load_suite(suite)
    typer.echo(plan.pictures)
    make = _pipeline(pipeline or (None if command else DEFAULT_PIPELINE), command, timeout_s)
    done = _record(plan, make, out, noise, workers, quiet, restart)
    if done.failures:
        typer.echo(
            f"warning: {len(done.failures)} of {done.total} cases have no answer: "
            f"{failure_words(done.failures)}",
            err=True,
        )
    if not done.complete:
        return INTERRUPTED
    written = read_baseline(out)
    typer.echo(f"Wrote {out}: {baseline_words(written, plan)}.")
    if nothing_usable(written):
        typer.echo("No picture gave a usable answer: nothing can be compared with this baseline.")
        return NEGATIVE
    return 0


@app.command("compare")
def compare_command(
    baseline: Annotated[
        Path, typer.Argument(metavar="BASELINE", help="What to compare with.")
    ] = DEFAULT_BASELINE,
    candidate: Annotated[
        Path | None,
        typer.Argument(
            metavar="[CANDIDATE]",
            help="Another baseline, instead of running a pipeline now.",
            show_default=False,
        ),
    ] = None,
    pipeline: PipelineOption = None,
    command: CommandOption = None,
    timeout_s: TimeoutOption = TIMEOUT_S,
    suite: Annotated[
        str | None,
        option(
            "NAME|FILE.toml",
            "The suite that the baseline was recorded on.",
            "the shipped one of the baseline's name",
        ),
    ] = None,
    fresh_noise: Annotated[
        bool,
        typer.Option(
            "--fresh-noise",
            help="Run on new sensor noise: asks whether a change holds for other pictures of the "
            "same scenes. Needs more cases to see the same effect.",
        ),
    ] = False,
    margin: Annotated[
        float, option("PERCENT", "Rise of errors that still counts as good.", min=0.1, max=1000.0)
    ] = 100 * Margins.error,
    rate_margin: Annotated[
        float,
        option(
            "POINTS",
            "Drop of rates, in percentage points, that still counts as good.",
            min=0.01,
            max=100.0,
        ),
    ] = 100 * Margins.rate,
    corner_margin: Annotated[
        float,
        option("PIXELS", "Mean shift of corners that still counts as good.", min=0.001, max=100.0),
    ] = Margins.corner_px,
    out: Annotated[Path, option("DIR", "Where to write the reports.")] = DEFAULT_OUT,
    workers: WorkersOption = None,
    quiet: QuietOption = False,
) -> int:
    """Say whether a pipeline is as good as a baseline.

    Runs the baseline's own pipeline as it is installed now, or the one of --pipeline or
    --command, on the baseline's pictures; pairs the cases; tests detection, gross failures,
    errors, biases, corners and claimed uncertainties in every group; and writes verdict.html
    and junit.xml to DIR.

    Errors and rates are shown as they are. How much an RMS changed is told with each case weighed
    by the uncertainty that the pipelines claim for it, lest far and face-on cases drown the rest.

    A change is called worse when it is there beyond doubt (all tests together raise a false alarm
    in at most 2 of 1,000 comparisons) and isn't shown to be within the margin. It is called as
    good when nothing is worse and the margins are shown to be kept; else the answer is that it
    could not be judged: more cases, or wider margins, would tell.

    For instance:

      sightbench verify compare apriltag.baseline

      sightbench verify compare apriltag.baseline --pipeline apriltag/photometric --margin 10

      sightbench verify compare old.baseline new.baseline
    """
    from bench.envelope import write_result
    from bench.verify.baseline import read_baseline
    from bench.verify.compare import compare as compare_pairs
    from bench.verify.compare import pair
    from bench.verify.page import write_report
    from bench.verify.result import COMPARISON, comparison_value
    from bench.verify.suite import load_suite
    from bench.verify.summary import lead_lines
    from bench.verify.verdict import report_of
    from bench.verify.worst import worst_cases, worst_keys

    since = monotonic()
    old = read_baseline(baseline)
    plan = load_suite(suite or _suite_name(old, baseline))
    origin = origin_of(seed=plan.seed, parts={"suite": plan.digest})
    old.belongs_to(plan, baseline)
    failures: tuple[Failure, ...] = ()
    if candidate is not None:
        if pipeline or command or fresh_noise:
            raise ConfigError("give either CANDIDATE or a pipeline to run, not both")
        new = read_baseline(candidate)
        new.belongs_to(plan, candidate)
    else:
        make = _pipeline(pipeline or (None if command else old.pipeline), command, timeout_s)
        path = out / CANDIDATE_FILE
        noise = old.noise + (1 if fresh_noise else 0)
        # begun anew: what an interrupted comparison left may be of the pipeline as it was then
        done = _record(plan, make, path, noise, workers, quiet, restart=True)
        if not done.complete:
            return INTERRUPTED
        failures = done.failures
        new = read_baseline(path)
    empty = [group.name for group in plan.groups if group.empty]
    margins = replace(
        Margins(), error=margin / 100.0, rate=rate_margin / 100.0, corner_px=corner_margin
    )
    compared = compare_pairs(pair(old.rows, new.rows, empty), margins)
    report = report_of(compared, old, new, failures)
    with together(), progress_bar("drawing", quiet):
        worst = worst_cases(plan, old, new, worst_keys(report.comparison.pairs))
        written = write_report(out, report, worst, started_at(), monotonic() - since)
        written.append(
            write_result(out / COMPARISON.file, COMPARISON, comparison_value(report), origin)
        )
    typer.echo(report.headline)
    for line in lead_lines(report):
        typer.echo(f"  {line}")
    say_written(out, written)
    return int(report.verdict)


@app.command("suites")
def suites_command(
    suite: Annotated[
        str | None,
        typer.Argument(
            metavar="[NAME|FILE.toml]", help="Say what this one holds.", show_default=False
        ),
    ] = None,
) -> int:
    """List the suites that ship, or say what one holds; a file of your own is checked so."""
    from bench.verify.suite import load_suite

    if suite is None:
        for name in SUITES:
            plan = load_suite(name)
            typer.echo(f"{name:8} {plan.cases:6} cases  {plan.summary}")
        typer.echo("Copy a file from the folder below and change it to make your own:")
        typer.echo(f"  {plan.path.parent}")
        return 0
    plan = load_suite(suite)
    typer.echo(f"{plan.name} ({plan.digest}), {plan.cases} cases: {plan.summary}")
    typer.echo(f"target   {plan.setting.target.name}")
    typer.echo(f"pictures {plan.pictures}")
    for group in plan.groups:
        low, high = group.range_m
        typer.echo(f"{group.name:20} {group.cases:6} cases, {low:g} to {high:g} m")
    return 0


def _suite_name(old: Baseline, path: Path) -> str:
    if old.suite not in SUITES:
        raise ConfigError(
            f"{path}: recorded on suite '{old.suite}', which doesn't ship; give its file by "
            "--suite"
        )
    return old.suite


def _pipeline(name: str | None, command: str | None, timeout_s: float) -> PipelineFactory:
    from bench.solve.pipeline import pipeline_from_name

    if command is not None:
        if name is not None:
            raise ConfigError("give either --pipeline or --command, not both")
        from bench.verify.external import ExternalPipeline  # takes a while to load

        return partial(ExternalPipeline, command, timeout_s)
    if name is None:
        raise ConfigError("give --pipeline or --command")
    return partial(pipeline_from_name, name)


def _record(
    suite: Suite,
    make: PipelineFactory,
    path: Path,
    noise: int,
    workers: int | None,
    quiet: bool,
    restart: bool,
) -> Recording:
    from bench.verify.record import record

    if path.is_dir():
        raise RunError(f"{path}: is a folder, not a file to write a baseline to")
    count = workers or os.cpu_count() or 1
    with stop_on_interrupt() as stop, progress_bar("pictures", quiet) as progress:
        done = record(suite, make, path, noise, count, progress, stop, restart=restart)
    if not done.complete:
        typer.echo(
            f"{done.found + done.added} of {done.total} cases are done and kept; the same command "
            "goes on from there.",
            err=True,
        )
    return done
