"""`sightbench budget`: how uncertain toe, camber and thrust are, and why."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from bench.cli.measured import (
    LeftCalibrationOption,
    LevelOption,
    RegistrationOption,
    RightCalibrationOption,
    parts_of,
    site_of,
)
from bench.cli.options import (
    BayArgument,
    CornerSigmaOption,
    OutOption,
    PosesOption,
    QuietOption,
    RuleOption,
    SeedOption,
    option,
    quantity_option,
    ruled,
)
from bench.cli.origin import origin_of
from bench.cli.predicting import BoundOption, MapOption, PipelineOption, predictor
from bench.cli.progress import progress_bar
from bench.cli.saying import say, say_written
from bench.defaults import CONFIDENCE
from bench.errors import ConfigError
from bench.scene.fields import ERROR_ANGLE

DEFAULT_OUT = Path("sightbench-budget")
NEGATIVE = 1
TRIALS = 500_000


def command(
    bay: BayArgument = None,
    poses: PosesOption = None,
    registration: RegistrationOption = None,
    level: LevelOption = None,
    left_calibration: LeftCalibrationOption = None,
    right_calibration: RightCalibrationOption = None,
    level_uncertainty: Annotated[
        float | None,
        quantity_option(
            "Standard uncertainty of the level, across and along the bay.",
            ERROR_ANGLE,  # the budget is of first order: 5 deg is 0.25 % from its tangent
            "what 'sightbench level' plans",
        ),
    ] = None,
    map_: MapOption = None,
    pipeline: PipelineOption = None,
    bound: BoundOption = None,
    corner_sigma: CornerSigmaOption = None,
    confidence: Annotated[
        float, option("RATE", "Of expanded uncertainties and intervals.", min=0.5, max=0.999)
    ] = CONFIDENCE,
    trials: Annotated[
        int, option("N", "Most Monte Carlo trials a vehicle.", min=20_000, max=10_000_000)
    ] = TRIALS,
    seed: SeedOption = None,
    rule: RuleOption = None,
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

    The registration, the level and the cameras are rehearsed or assumed unless what was measured
    is given: --registration, --level, --left-calibration and --right-calibration take the files
    that 'register solve', 'level solve' and 'intrinsics' wrote. One that was made for another
    bar, camera or registration is refused; one whose own checks failed is said first.

    Ends with 0 where all angles are inside their tolerance, 1 where one is outside or a measured
    result contradicts itself.

    For instance:

      sightbench budget

      sightbench budget my-bay.toml --map sightbench-map --pipeline aruco-subpix/ippe-lm

      sightbench budget my-bay.toml --registration registration.json --level level.json
    """
    import numpy as np

    from bench.budget.budget import budget_of, setting_of
    from bench.budget.files import write_budget
    from bench.budget.tables import table_lines, verdict_words
    from bench.registration.level_plan import default_plan, level_covariance
    from bench.registration.plan import default_sequence
    from bench.scene.bar_section import read_poses
    from bench.scene.load import load_bay

    if level is not None and level_uncertainty is not None:
        raise ConfigError("--level: is measured; --level-uncertainty is assumed: give one")
    # noise alone: camera, print and plate are causes of the budget's own
    asked = predictor(load_bay(bay), bound, corner_sigma, map_, pipeline, as_built=False)
    place, measured = site_of(bay, poses, registration, left_calibration, right_calibration, level)
    place = ruled(place, rule)
    with progress_bar("preparing", quiet):
        if poses is not None:
            places = read_poses(poses)
        else:
            places = default_sequence(place) if registration is None else ()
        if level_uncertainty is not None:
            tilt = np.eye(2) * level_uncertainty**2
        elif level is None:
            plan = default_plan(place, corner_sigma_px=asked.sigma_px)
            tilt = level_covariance(place, plan)
        else:
            tilt = np.zeros((2, 2))  # the measured one is taken
        setting = setting_of(place, asked, places, tilt, measured)
    chosen = place.survey.seed if seed is None else seed
    with progress_bar("vehicles", quiet) as progress:
        budget = budget_of(setting, chosen, trials, confidence, progress)
    say((*budget.basis, "", *table_lines(budget), "", *verdict_words(budget)))
    written = write_budget(out, budget, place, origin_of(place, chosen, parts_of(place, measured)))
    say_written(out, written)
    return 0 if budget.inside and not measured.contradictions(place) else NEGATIVE
