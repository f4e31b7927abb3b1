"""`sightbench conform`: does a pipeline's adapter keep to the conventions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bench.cli.options import QuietOption, option
from bench.cli.origin import origin_of
from bench.cli.progress import progress_bar
from bench.errors import ConfigError

if TYPE_CHECKING:
    from bench.targets.target import Target

DEFAULT_TARGET = "marker:36h11:7:160 mm"
DEFAULT_PIPELINE = "aruco-subpix/ippe-lm"
KINDS = ("marker", "grid", "charuco", "circles")
TIMEOUT_S, START_S = 10.0, 30.0
STEPS = 4


def command(
    external: Annotated[
        str | None,
        typer.Option(
            "--command",
            metavar="COMMAND",
            help="An external pipeline, such as 'node adapter.mjs'; run without a shell.",
            show_default=False,
        ),
    ] = None,
    pipeline: Annotated[
        str | None,
        option(
            "DETECTOR/SOLVER",
            "A pipeline in Python, by its plug-ins' names.",
            f"{DEFAULT_PIPELINE}, without --command",
        ),
    ] = None,
    target: Annotated[
        str,
        option(
            "TARGET",
            "What the pipeline can look for, such as 'grid:36h11:3x2:80 mm:20 mm' or "
            "'circles:4x11:20 mm:15 mm'.",
        ),
    ] = DEFAULT_TARGET,
    timeout: Annotated[float, option("SECONDS", "Time for an answer.")] = TIMEOUT_S,
    start: Annotated[
        float, option("SECONDS", "More time for a process's first answer.")
    ] = START_S,
    out: Annotated[
        Path | None, option("DIR", "Also write conformance.json there.", "nowhere")
    ] = None,
    quiet: QuietOption = False,
) -> int:
    """Tell the author of a pipeline whether its adapter keeps to the bench's conventions.

    Exact pictures with known truth are shown, and each answer is held against the right one and
    against what known mistakes would have given: an origin at the pixel's corner, corners in
    another order, undistorted corners, a target frame that is turned or flipped, millimetres, a
    lens left out, foreign ids, a target in an empty frame, dark 16-bit pictures, answers that
    change. Each failure comes with what to change, and what came of which picture where that
    isn't what it should be. Accuracy isn't judged; 'sightbench map' does.

    The line protocol of external commands is described in bench/verify/PROTOCOL.md.

    Ends with 0 where all is well, 1 where something must be changed, 3 where nothing failed but
    something couldn't be judged, such as where the target isn't found.

    \b
    Examples:
      sightbench conform
      sightbench conform --pipeline apriltag/ippe-lm
      sightbench conform --command "node assets/examples/external/square_finder.mjs"
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    from bench.targets.spec import target_from_spec

    if external is not None and pipeline is not None:
        raise ConfigError("conform: give --command or --pipeline, not both")
    # half a second to load, which --help needn't wait for
    from bench.verify.conformance import conform
    from bench.verify.conformance_check import CheckOutcome
    from bench.verify.conformance_files import case_lines, conclusion, write_conformance

    looked_for = target_from_spec(target, KINDS)
    subject, close = _subject(external, pipeline, looked_for, timeout, start)
    try:
        with progress_bar("steps", quiet) as progress:
            done = 0

            def step(_: str) -> None:
                nonlocal done
                progress(done, STEPS)
                done += 1

            report = conform(subject, looked_for, step)
            progress(STEPS, STEPS)
    finally:
        close()
    typer.echo(f"{report.name} with {report.target}")
    for check in report.checks:
        typer.echo(f"  {check.words}")
    for line in case_lines(report):
        typer.echo(f"  picture {line}")
    typer.echo(conclusion(report.verdict))
    if out is not None:
        write_conformance(out, report, origin_of())
    return {CheckOutcome.PASS: 0, CheckOutcome.FAIL: 1}.get(report.verdict, 3)


def _subject(
    external: str | None, pipeline: str | None, target: Target, timeout_s: float, start_s: float
) -> Any:
    """Return what is judged, and what ends it."""
    from bench.solve.pipeline import pipeline_from_name
    from bench.verify.conformance_subject import ExternalSubject, PipelineSubject
    from bench.verify.external import ExternalDetector

    if external is not None:
        detector = ExternalDetector(external, timeout_s, start_s=start_s)
        return ExternalSubject(detector), detector.close
    found = pipeline_from_name(pipeline or DEFAULT_PIPELINE)
    if not found.supports(target.kind):
        raise ConfigError(f"--pipeline {found.name} can't look for a {target.kind}; see --target")
    return PipelineSubject(found), lambda: None
