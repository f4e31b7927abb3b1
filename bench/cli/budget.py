"""`sightbench budget`: how uncertain toe, camber and thrust are, and why."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Literal, cast

import numpy as np
import typer

from bench.budget.budget import CONFIDENCE, budget_of, setting_of
from bench.budget.files import write_budget
from bench.budget.tables import table_lines, verdict_words
from bench.cli.options import BayArgument, OutOption, SeedOption, parse_angle
from bench.cli.progress import progress_bar
from bench.cli.results import origin
from bench.cli.surveying import QuietOption
from bench.registration.level_plan import default_plan, level_covariance
from bench.registration.plan import default_sequence
from bench.scene.bar_section import read_poses
from bench.scene.load import load_bay
from bench.sighting.prediction import predictor_of
from bench.survey import provenance
from bench.units import format_angle

DEFAULT_OUT = Path("sightbench-budget")
OUTSIDE = 1
TRIALS = 500_000
# the budget is of first order: 5 deg is 0.25 % from its tangent
MAX_LEVEL = math.radians(5.0)


def command(
    bay: BayArgument = None,
    poses: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.toml",
            help="Places of the registration bar, as 'sightbench register' writes them.",
            show_default="the best short sequence for this bay",
        ),
    ] = None,
    level: Annotated[
        float | None,
        typer.Option(
            parser=parse_angle,
            metavar="ANGLE",
            help="Standard uncertainty of the level, across and along the bay.",
            show_default="what 'sightbench level' plans",
        ),
    ] = None,
    map_: Annotated[
        Path | None,
        typer.Option(
            "--map",
            metavar="DIR",
            help="A finished 'sightbench map' of this bay: the bound is then scaled by what its "
            "pipeline really reached.",
            show_default="the bound alone",
        ),
    ] = None,
    pipeline: Annotated[
        str | None,
        typer.Option(
            metavar="DETECTOR/SOLVER",
            help="Whose errors to predict.",
            show_default="the bay's first",
        ),
    ] = None,
    bound: Annotated[
        str | None,
        typer.Option(
            metavar="corner|image",
            help="Predict poses from corners with independent noise, or from the whole image.",
            show_default="by the pipeline",
        ),
    ] = None,
    corner_sigma: Annotated[
        float | None,
        typer.Option(
            metavar="PIXELS",
            help="Standard deviation of a corner's coordinate.",
            show_default="what the detector claims",
        ),
    ] = None,
    confidence: Annotated[
        float,
        typer.Option(
            metavar="RATE", help="Of expanded uncertainties and intervals, 0.5 to 0.999."
        ),
    ] = CONFIDENCE,
    trials: Annotated[
        int,
        typer.Option(
            min=20_000, max=10_000_000, metavar="N", help="Most Monte Carlo trials a vehicle."
        ),
    ] = TRIALS,
    seed: SeedOption = None,
    out: OutOption = DEFAULT_OUT,
    quiet: QuietOption = False,
) -> int:
    """Say how uncertain toe, camber and the thrust angle are, what makes them so, what to mend.

    For each vehicle and station the whole measurement is computed: targets of a rolling wheel
    and at rest, each tower's frame, the registration that ties the towers, the level, the
    wheels' centres, the angles. Every cause goes through all of it, so that what two readings
    share acts or cancels as it would. Causes: target poses (predicted), flatness and print of
    targets, cameras' intrinsics, registration, level, run-out, mounts, towers that moved since,
    temperature, the operator. Their sizes stand in the bay file's [budget]; what is left out
    has the bench's own assumption.

    Uncertainties are propagated to first order (JCGM 100) and by Monte Carlo (JCGM 101), and it
    is said where the two differ. The larger one is held against [tolerance] toe, camber, thrust.
    The printed table has the worse of left and right; budget.csv has every angle with every
    contribution.

    Ends with 0 where all angles are inside their tolerance, 1 where one is outside.

    For instance:

      sightbench budget

      sightbench budget my-bay.toml --map sightbench-map --pipeline aruco-subpix/ippe-lm

      sightbench budget my-bay.toml --poses bar.toml --level "0.3 arcmin" --confidence 0.99
    """
    if not 0.5 <= confidence <= 0.999:
        raise typer.BadParameter(f"confidence must lie from 0.5 to 0.999, got {confidence:g}")
    if bound not in (None, "corner", "image"):
        raise typer.BadParameter(f"bound must be corner or image, got '{bound}'")
    if level is not None and not 0.0 <= level <= MAX_LEVEL:
        raise typer.BadParameter(
            f"level must lie from 0 to {format_angle(MAX_LEVEL)}, got {format_angle(level)}"
        )
    started = provenance.now()
    place = load_bay(bay)
    predictor = predictor_of(
        place, cast("Literal['corner', 'image'] | None", bound), corner_sigma, map_, pipeline
    )
    with progress_bar("preparing", quiet):
        places = default_sequence(place) if poses is None else read_poses(poses, place.bar)
        if level is None:
            plan = replace(default_plan(place), corner_px=predictor.sigma_px)
            tilt = level_covariance(place, plan)
        else:
            tilt = np.eye(2) * level**2
        setting = setting_of(place, predictor, places, tilt)
    chosen = place.survey.seed if seed is None else seed
    with progress_bar("vehicles", quiet) as progress:
        budget = budget_of(setting, chosen, trials, confidence, progress)
    for line in (*budget.basis, "", *table_lines(budget), "", *verdict_words(budget)):
        typer.echo(line)
    written = write_budget(out, budget, place, chosen, origin(started))
    typer.echo(f"Wrote to {out}: {', '.join(path.name for path in written)}.")
    return 0 if budget.inside else OUTSIDE
