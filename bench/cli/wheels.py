"""`sightbench wheels`: toe, camber, thrust and the rest from measured poses of wheel targets."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer

from bench.cli.given import command_line
from bench.cli.options import (
    BayOption,
    OutOption,
    RuleOption,
    SeedOption,
    level_option,
    quantity_option,
    registration_option,
    ruled,
)
from bench.cli.origin import origin_of
from bench.cli.saying import say
from bench.errors import ConfigError
from bench.files import make_directory, write_atomically
from bench.scene.fields import ERROR_ANGLE, OUTBOARD, RIM

NEGATIVE = 1
DEFAULT_OUT = Path("sightbench-wheels")
# Of a bay's z from vertical where a table in the bay's frame comes with no level file, radians.
BAY_LEVEL = math.radians(0.01)


def command(
    table: Annotated[
        Path | None,
        typer.Argument(
            metavar="TABLE.csv",
            help="Measured poses of the targets on the wheels.",
            show_default="a rehearsal",
        ),
    ] = None,
    bay: BayOption = None,
    registration: Annotated[
        Path | None, registration_option("; needed where a right tower measured.")
    ] = None,
    level: Annotated[
        Path | None,
        level_option(
            "; without it camber is from the plane of the wheels' centres, or, where the table "
            "names no towers, from its frame's z."
        ),
    ] = None,
    rear_track: Annotated[
        bool,
        typer.Option(
            "--rear-track",
            help="Refer toe and thrust to the line square to the rear track, instead of the "
            "centre line through both tracks' middles.",
        ),
    ] = False,
    in_place: Annotated[
        bool, typer.Option("--in-place", help="Wheels were turned in place on a lift, not rolled.")
    ] = False,
    outboard: Annotated[
        float | None,
        quantity_option(
            "Of targets' centres outward of the wheels' middles.",
            OUTBOARD,
            "that of the bay's first mount",
        ),
    ] = None,
    bearing_play: Annotated[
        float, quantity_option("Of wheel bearings between readings, standard.", ERROR_ANGLE)
    ] = "0 deg",  # type: ignore[assignment]  # read by the parser
    rim: Annotated[float, quantity_option("Rim diameter for toe in mm.", RIM)] = "400 mm",  # type: ignore[assignment]
    seed: SeedOption = None,
    rule: RuleOption = None,
    out: OutOption = DEFAULT_OUT,
) -> int:
    """Compute a vehicle's wheel angles with their standard uncertainties.

    The table has a row for each measured pose of a target: wheel (front left, front right, rear
    left, rear right, or middle), rotation vector rx_deg, ry_deg, rz_deg, translation x_mm, y_mm,
    z_mm, standard uncertainties u_rx_deg to u_z_mm (rotation about the target's axes) and, if
    known, correlations c_12 to c_56; optionally kind (roll or steer), tower (left or right),
    reading, and marker_id: where the bay file has [wheel_ids], a target on the wrong wheel is
    found by it. Every wheel needs two rolling positions or more, 30 degrees apart say; the last
    one is where the vehicle rests.
    Readings of kind steer, wheels braked, give caster and steering-axis inclination. With a
    tower named, poses are in that tower's camera frame; without, in one frame for all, its x
    forward, y left, z up.

    Every angle names the line it refers to. Toe is positive inward, camber with the top outward,
    thrust to the left, caster with the top to the rear, setback where the right wheel stands
    behind the left. Directions are ISO 8855's.

    Without a table this is a rehearsal: an invented vehicle with known angles is measured in the
    shipped bay, its targets askew on their wheels; the answers stand beside the truth.

    How well toe, camber and thrust are known (expanded, k = 2) is held against [tolerance] by the
    bay's decision rule and said; a vehicle's own toe and camber have no limits here.

    Exit code 1 says that readings of a wheel contradict each other; the one that fits worst is
    named first; or that a wheel carries another's target.

    \b
    Examples:
      sightbench wheels
      sightbench wheels measured.csv --registration registration.json --level level.json
      sightbench wheels one-frame.csv --rim "381 mm" --rear-track
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    import numpy as np

    from bench.envelope import refuse_other
    from bench.geometry.pose import Pose
    from bench.geometry.vehicle_angles import Line
    from bench.registration.level_plan import default_plan, level_of_plan
    from bench.registration.level_result import read_level
    from bench.registration.result import read_registration
    from bench.scene.load import load_bay
    from bench.scene.parts import bay_parts
    from bench.sighting.prediction import sigma_of_corner
    from bench.typing import Array
    from bench.wheels.bay_directions import directions_in
    from bench.wheels.files import answer_row, write_wheels, write_wheels_picture
    from bench.wheels.identity import identity_unknown, identity_words
    from bench.wheels.rehearsal import rehearse_wheels
    from bench.wheels.table import (
        BAY,
        contradictions,
        measured_wheels,
        needs_registration,
        read_wheel_table,
        tower_of,
    )
    from bench.wheels.vehicle import measure_vehicle
    from bench.wheels.words import decision_words, wheel_words

    place = ruled(load_bay(bay), rule)
    truth: Mapping[tuple[str, str], float] | None = None
    tied: tuple[Pose, Array] | None = None
    up: tuple[Array, Array] | None = None
    vertical = "wheel centres' plane"
    parts: dict[str, str] = {}
    bar = {"bar": bay_parts(place)["bar"]}
    if registration is not None:
        tie = read_registration(registration)
        refuse_other(tie, bar, place.path.name)
        tied = tie.value.T_left_right.pose, np.array(tie.value.covariance)
        parts["registration"] = tie.digest
    if level is not None:
        found = read_level(level)
        refuse_other(found, bar | parts, str(registration or place.path.name))
        left = found.value.towers["left"]
        up = left.up, np.array(left.covariance)
        vertical = "level" if found.value.is_gravity else "floor"
        parts["level"] = found.digest
    if table is None:
        if registration is not None or level is not None:
            raise ConfigError("wheels: --registration and --level need a table")
        make_directory(out)
        share = level_of_plan(place, default_plan(place)).up("left").covariance
        start = place.survey.seed if seed is None else seed
        rehearsal = rehearse_wheels(place, share, start)
        table = out / "rehearsal.csv"
        write_atomically(table, rehearsal.table.encode())
        tied, up, vertical = rehearsal.registration, (rehearsal.up, share), "level"
        truth = rehearsal.truth
        typer.echo(
            f"rehearsal: a {place.vehicles[0].name} with known angles measured in {place.name}, "
            f"saved as {table}; corners noisy by {sigma_of_corner(place):g} px, registration "
            "assumed good to 0.004 deg and 0.3 mm, level as 'sightbench level rehearse' finds it"
        )
        for name in rehearsal.dropped:
            typer.echo(f"not seen: {name}")
    groups = read_wheel_table(table)
    named = any(tower_of(rows[0]) for rows in groups.values())
    if not named and (tied or up):
        raise ConfigError(
            f"{table}: column tower is missing: --registration and --level are of the towers' "
            "cameras, and without it poses count as in one frame of the vehicle's; name towers, "
            "or leave them out"
        )
    if needs_registration(groups) and tied is None:
        raise ConfigError(
            f"{table}: wheels of the right tower need --registration, which ties it to the left"
        )
    towers = directions_in(place, None if up is None else up[0], None if tied is None else tied[0])
    if up is None and not named:
        up, vertical = (BAY.up, np.eye(3) * BAY_LEVEL**2), "table's z"
    wheels = measured_wheels(
        table,
        groups,
        towers,
        place.vehicles[0].axles[0].mount.outboard if outboard is None else outboard,
        in_place,
        bearing_play,
    )
    line: Line = "rear track" if rear_track or len(groups) == 2 else "centre line"
    vehicle = measure_vehicle(wheels, up, tied, line, vertical)
    make_directory(out)
    rows = [answer_row(a, truth, rim) for a in vehicle.answers]
    known = decision_words(rows, place.tolerance)
    against = identity_words(place, table, groups)
    against += contradictions(groups, wheels, towers, bearing_play)
    origin = origin_of(place, seed, parts)
    write_wheels(out, rows, wheels, table, vertical, against, known, place.tolerance, origin)
    say(against)
    unsure = identity_unknown(place, table, groups)
    say((*([unsure] if unsure else []), *wheel_words(rows, wheels), *known))
    typer.echo(f"Decision rule: {place.tolerance.rule_words}.")
    write_wheels_picture(out, vehicle, truth, f"{table.name}; {command_line()}")
    typer.echo(f"wrote wheels.csv, wheels.json and wheels.png in {out}")
    return NEGATIVE if against else 0
