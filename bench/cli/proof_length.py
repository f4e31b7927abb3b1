"""`sightbench proof length`: a calibrated bar measured at several places."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.measured import (
    LeftCalibrationOption,
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
    TableArgument,
    option,
    quantity_option,
)
from bench.cli.origin import origin_of
from bench.cli.saying import say, say_written
from bench.scene.fields import BAR_LENGTH, BAR_UNCERTAINTY
from bench.tables import numbers, read_table, texts
from bench.units import shown

if TYPE_CHECKING:
    from bench.scene.bar import Bar
    from bench.scene.model import Bay

DEFAULT_OUT = Path("sightbench-proof-length")
FAILS = 1
OTHER_BAR = 0.1  # of the length: no registration is off by as much
FROM_BAR = "from the bay file's [bar]"

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Measure a separately calibrated bar at several places: does the length come out?",
)
PlacesOption = Annotated[
    Path | None,
    option(
        "POSES.toml",
        "Where the calibrated bar is put for the check.",
        "spread over the bay's depth and height",
    ),
]
LengthOption = Annotated[
    float | None,
    quantity_option("Calibrated distance of the bar's targets.", BAR_LENGTH, FROM_BAR),
]
UncertaintyOption = Annotated[
    float | None, quantity_option("Its standard uncertainty.", BAR_UNCERTAINTY, FROM_BAR)
]


def _bar(bay: Bay, length: float | None, uncertainty: float | None) -> Bar:
    bar = bay.bar
    return replace(
        bar,
        length=bar.length if length is None else length,
        length_uncertainty=bar.length_uncertainty if uncertainty is None else uncertainty,
    )


@app.command("plan")
def plan_command(
    bay: BayArgument = None,
    places: PlacesOption = None,
    readings: Annotated[int, typer.Option(min=1, max=1000, help="At each place.")] = 3,
    length: LengthOption = None,
    length_uncertainty: UncertaintyOption = None,
    corner_sigma: CornerSigmaOption = None,
    poses: PosesOption = None,
    registration: RegistrationOption = None,
    left_calibration: LeftCalibrationOption = None,
    right_calibration: RightCalibrationOption = None,
    out: OutOption = DEFAULT_OUT,
) -> None:
    """Say where to put the bar and how large an error of length the check will find.

    The bar must have been calibrated apart from this bay; take another than the one that the
    towers were registered with, whose own error the registration hides. Writes the places, and an
    empty table length-readings.csv to fill in with columns place, length_mm.

    For instance:

      sightbench proof length plan my-bay.toml --length "1899.62 mm" --length-uncertainty "0.05 mm"
    """
    from bench.proof.files import write_length_readings, write_proof
    from bench.proof.length import plan_for_bay
    from bench.proof.length_words import plan_table, plan_words

    site, measured = site_of(bay, poses, registration, left_calibration, right_calibration)
    origin = origin_of(site, parts=parts_of(site, measured))
    bar = _bar(site, length, length_uncertainty)
    plan = plan_for_bay(site, bar, places, corner_sigma, poses, measured)
    say((*measured.said, *plan_words(plan, readings)))
    say_written(out, write_length_readings(out, plan, readings))
    content = {
        "detectable_scale": plan.detectable_scale(readings),
        "readings": readings,
        "length_mm": 1e3 * plan.length,
    }
    table = plan_table(plan, readings)
    say_written(out, write_proof(out, "length-plan", table, content, origin))


@app.command("evaluate")
def evaluate_command(
    table: TableArgument,
    bay: BayArgument = None,
    places: PlacesOption = None,
    length: LengthOption = None,
    length_uncertainty: UncertaintyOption = None,
    corner_sigma: CornerSigmaOption = None,
    poses: PosesOption = None,
    registration: RegistrationOption = None,
    left_calibration: LeftCalibrationOption = None,
    right_calibration: RightCalibrationOption = None,
    out: OutOption = DEFAULT_OUT,
) -> int:
    """Judge lengths measured at the plan's places: columns place (1, 2, ...) and length_mm.

    Errors at different places share the registration's and the calibration's; all are judged
    together, with their correlations, at 5 % of false alarms.

    Ends with 0 where the lengths hold, 1 where they don't.
    """
    from bench.proof.files import write_proof
    from bench.proof.length import evaluate_length, plan_for_bay
    from bench.proof.length_words import result_table, result_words

    site, measured = site_of(bay, poses, registration, left_calibration, right_calibration)
    origin = origin_of(site, parts=parts_of(site, measured))
    bar = _bar(site, length, length_uncertainty)
    plan = plan_for_bay(site, bar, places, corner_sigma, poses, measured)
    n = len(plan.places)
    readings: list[list[float]] = [[] for _ in range(n)]
    known = (
        *texts("place"),
        *numbers("length_mm", within=(1.0, 20_000.0)),
        *texts("reading", optional=True),
    )
    # rounded readings repeat honestly, though not under one number
    for row in read_table(table, known, key=("place", "reading"), counter="reading"):
        place = row.texts["place"]
        if place not in map(str, range(1, n + 1)):
            raise row.refusal(f"place: {shown(place)} must be a whole number from 1 to {n}")
        value = row.numbers["length_mm"]
        if abs(1e-3 * value / plan.length - 1.0) > OTHER_BAR:
            raise row.refusal(
                f"length_mm: {value:g} is no reading of a bar of {1e3 * plan.length:g} mm: in "
                "another unit, or of another bar?"
            )
        readings[int(place) - 1].append(1e-3 * value)
    result = evaluate_length(plan, readings)
    say((*measured.said, *result_words(result)))
    content = {
        "verdict": "holds" if result.holds else "doesn't hold",
        "words": result_words(result)[-1:],
        "decision_rule": "χ² test of all lengths together at 5 % of false alarms; no tolerance",
        "p_value": result.p_value,
        "chi_square": result.chi_square,
        "scale": result.scale,
        "scale_sigma": result.scale_sigma,
    }
    frame = result_table(result)
    say_written(out, write_proof(out, "length-result", frame, content, origin))
    return 0 if result.holds and not measured.contradictions(site) else FAILS
