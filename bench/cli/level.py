"""`sightbench level`: tell towers which way is up, by a bar and its spirit level or a floor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bench.cli.options import (
    BayArgument,
    BayOption,
    CornerSigmaOption,
    OutOption,
    QuietOption,
    SeedOption,
    quantity_option,
    registration_option,
)
from bench.cli.origin import origin_of
from bench.cli.progress import progress_bar
from bench.cli.saying import say
from bench.files import make_directory
from bench.scene.fields import FLOOR_DISTANCE, KNOWN_ANGLE, KNOWN_LENGTH, LEAN

if TYPE_CHECKING:
    from bench.registration.level_plan import LevelPlan

DEFAULT_OUT = Path("sightbench-level")
COULD_NOT_JUDGE = 3
# A claim is doubted where errors as large, or as small, come up less often than this.
DOUBT = 0.001
NEGATIVE = 1

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    add_completion=False,
    help="Tell towers which way is up, which cameras can't feel.\n\n"
    "The registration bar lies level on its stands and is turned about its long axis: each tower "
    "finds that axis in its own frame, which gives level across the bay. At a second distance, "
    "with the bar's heights known, it gives level along the bay. Laid end for end in each place, "
    "the bar's own error shows and cancels. 'rehearse' simulates it with known truth; 'solve' "
    "computes it from a table of measured poses.",
    epilog="Exit codes: 0 done, 1 claims or rows fail, 2 bad input, 3 a direction stays open.",
)

FloorOption = Annotated[
    bool,
    typer.Option(
        "--floor",
        help="No spirit level: the stands stand on the floor as it is, and the floor is found.",
    ),
]
HeightOption = Annotated[
    float | None,
    quantity_option(
        "Standard uncertainty of the height of a stand's seat over the common datum; with "
        "--floor, of floor and stand together.",
        KNOWN_LENGTH,
        "0.3 mm; with --floor 1 mm",
    ),
]
BarOption = Annotated[
    float | None,
    quantity_option(
        "Standard uncertainty of the bar's own error: its turning axis against its seat, or the "
        "zero of its spirit level.",
        KNOWN_ANGLE,
        "0.03 deg",
    ),
]


@app.command("rehearse")
def rehearse_command(
    bay: BayArgument = None,
    floor: FloorOption = False,
    trials: Annotated[int, typer.Option(min=2, max=100_000, help="Of each plan.")] = 60,
    distance: Annotated[
        list[float] | None,
        quantity_option(
            "Of the bar from the tower line; may be given several times.",
            FLOOR_DISTANCE,
            "the nearest one that works, and one up to 3 m farther",
        ),
    ] = None,
    height_uncertainty: HeightOption = None,
    bar_error: BarOption = None,
    corner_sigma: CornerSigmaOption = None,
    plumb: Annotated[
        float, quantity_option("Towers' lean, standard deviation.", LEAN)
    ] = "0.5 deg",  # type: ignore[assignment]  # read by the parser
    floor_slope: Annotated[
        float, quantity_option("The floor's slope, standard deviation.", LEAN)
    ] = "0.3 deg",  # type: ignore[assignment]
    seed: SeedOption = None,
    quiet: QuietOption = False,
    out: OutOption = DEFAULT_OUT,
) -> int:
    """Simulate finding level many times, as planned and with something left out.

    Truth is known: towers lean, the floor slopes, the bar has an error of its own, the spirit
    level is read with its sensitivity, stands have wrong heights, corners are noisy. For each
    plan the claimed uncertainty stands beside the error that came out, by source. The first
    rehearsal's measured poses go to rehearsal.csv, for 'solve' to be tried on; level-sheet-a4.pdf
    and -letter.pdf take the bar's settings to the floor, and shims for towers that lean. Of
    faults on site (a slip, a bend, a wrong height, a bar noted the wrong way round) it says which
    'solve' finds, and warns of those that may stay hidden and cost more than a third of camber's
    tolerance.

    \b
    Examples:
      sightbench level rehearse
      sightbench level rehearse my-bay.toml --distance "2.5 m" --distance "6 m" --trials 500
      sightbench level rehearse --floor --height-uncertainty "2 mm"
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    import polars as pl

    from bench.registration.files import write_rows
    from bench.registration.level_plan import default_plan, level_shares
    from bench.registration.level_rehearsal import Site, rehearse_level, write_example
    from bench.registration.level_reliability import level_fault_words, level_faults
    from bench.registration.level_words import (
        bar_words,
        lines,
        open_words,
        rehearsal_rows,
        rehearsal_words,
        share_rows,
        variants,
    )
    from bench.scene.load import load_bay
    from bench.setting_out.level_sheet import level_sheet
    from bench.targets.files import write_papers

    place = load_bay(bay)
    plan = default_plan(place, "floor" if floor else "level", corner_sigma)
    plan = _changed(plan, height_uncertainty, bar_error)
    if distance:
        plan = replace(plan, distances=tuple(distance))
    site = Site(plumb=plumb, floor_slope=floor_slope)
    start = place.survey.seed if seed is None else seed
    plans = variants(plan)
    shares = {name: level_shares(place, one) for name, one in plans.items()}
    done: dict[str, Any] = {}
    with progress_bar("rehearsals", quiet) as moved:
        for k, (name, one) in enumerate(plans.items()):
            before = k * trials

            def step(count: int, _: int, before: int = before) -> None:
                moved(before + count, trials * len(plans))

            done[name] = rehearse_level(place, one, trials, start, name, site, step)
    make_directory(out)
    origin = origin_of(place, start)
    rows = [row for name in plans for row in share_rows(name, shares[name])]
    write_rows(out, "shares", pl.DataFrame(rows), origin, "level", 7)
    results = rehearsal_rows(done, trials)
    write_rows(out, "rehearsals", pl.DataFrame(results), origin, "level", 7)
    write_example(place, plan, site, start, out)
    write_papers(partial(level_sheet, place, plan.poses), "level-sheet", out)
    typer.echo(bar_words(place, plan))
    for line in lines(shares["as planned"], plan.kind, plan.reversal):
        typer.echo(f"  {line}")
    say(level_fault_words(level_faults(place, plan)))
    for row in results:
        typer.echo(rehearsal_words(row, bool(open_words(shares[row["plan"]]))))
    doubted = [row["plan"] for row in results if row["p_value"] < DOUBT]
    for name in doubted:
        typer.echo(f"claims were not honest: {name}: p below {DOUBT:g}")
    made = "shares, rehearsals, rehearsal.csv, level-sheet-a4.pdf and -letter.pdf"
    typer.echo(f"wrote {made} in {out}")
    return 1 if doubted else 0


@app.command("solve")
def solve_command(
    table: Annotated[
        Path | None,
        typer.Argument(
            metavar="TABLE.csv",
            help="Measured poses of the bar's targets.",
            show_default="a rehearsed one",
        ),
    ] = None,
    bay: BayOption = None,
    registration: Annotated[
        Path | None, registration_option(": both towers find one level together.")
    ] = None,
    floor: FloorOption = False,
    height_uncertainty: HeightOption = None,
    bar_error: BarOption = None,
    out: OutOption = DEFAULT_OUT,
) -> int:
    """Compute which way is up for each tower from measured poses of the bar's targets.

    The table has a row for each pose of a target in a tower's camera frame: place (rows of the
    same place share their stands), reversed (yes or no), tower (left or right), rotation vector
    rx_deg, ry_deg, rz_deg, translation x_mm, y_mm, z_mm, standard uncertainties u_rx_deg to
    u_z_mm, correlations c_12 to c_56 if known, and, if places differ, height_mm of the bar. A
    place takes two rows or more a tower, the bar turned about its long axis between them.

    Writes level.json, which 'sightbench wheels' takes. Exit code 3 says that a direction stays
    open, 1 that the rows contradict each other by more than their uncertainties explain.

    \b
    Examples:
      sightbench level solve
      sightbench level solve measured.csv --bay my-bay.toml --registration registration.json
    """  # noqa: D301
    import numpy as np
    import polars as pl

    from bench.envelope import refuse_other, write_result
    from bench.registration.files import write_rows
    from bench.registration.level import Level, find_level
    from bench.registration.level_equations import Kind, Setting
    from bench.registration.level_plan import (
        bay_shares,
        default_plan,
        open_plan,
        planned_up,
        reference_of,
    )
    from bench.registration.level_rehearsal import Site, write_example
    from bench.registration.level_result import LEVEL, level_value
    from bench.registration.level_table import read_level_table
    from bench.registration.level_words import (
        contradicts,
        lines,
        odd_settings,
        open_words,
        residual_words,
        share_rows,
        up_words,
    )
    from bench.registration.result import read_registration
    from bench.scene.load import load_bay
    from bench.scene.parts import bay_parts
    from bench.sighting.prediction import sigma_of_corner

    place = load_bay(bay)
    kind: Kind = "floor" if floor else "level"
    # where the bar lay is in the table
    plan = default_plan(place, kind) if table is None else open_plan(kind, sigma_of_corner(place))
    plan = _changed(plan, height_uncertainty, bar_error)
    transform, covariance = None, None
    parts = {"bar": bay_parts(place)["bar"]}
    if registration is not None:
        tie = read_registration(registration)
        refuse_other(tie, parts, place.path.name)
        transform, covariance = tie.value.T_left_right.pose, np.array(tie.value.covariance)
        parts["registration"] = tie.digest
    if table is None:
        typer.echo("no table given: solving a rehearsed one, saved as rehearsal.csv")
        make_directory(out)
        table = write_example(place, plan, Site(), place.survey.seed, out)
    settings = read_level_table(table, place.bar.length)

    def find(some: Sequence[Setting], tied: bool = True) -> Level:
        tie = (transform, covariance) if tied else (None, None)
        return find_level(some, reference_of(place, plan), *tie, planned_up(place))

    level = find(settings)
    make_directory(out)
    origin = origin_of(place, parts=parts)
    write_result(out / LEVEL.file, LEVEL, level_value(level), origin)
    rows, code = [], 0
    ways = {s.reversed for s in settings}
    for up in level.ups:
        typer.echo(up_words(place, up))
        shares = bay_shares(place, up)
        rows += share_rows(f"{up.tower} tower", shares)
        for line in lines(shares, level.kind, len(ways) == 2):
            typer.echo(f"  {line}")
        code = COULD_NOT_JUDGE if open_words(shares) else code
    without = None
    if transform is not None and contradicts(level, DOUBT):
        without = find(settings, tied=False)
    odd: list[str] = []
    if contradicts(level, DOUBT):
        odd, code = odd_settings(settings, find, DOUBT), NEGATIVE
    say(residual_words(level, DOUBT, without, odd))
    write_rows(out, "shares", pl.DataFrame(rows), origin, "level", 7)
    typer.echo(f"wrote level.json and shares in {out}")
    return code


def _changed(plan: LevelPlan, height: float | None, bar: float | None) -> LevelPlan:
    plan = plan if height is None else replace(plan, height_sigma=height)
    return plan if bar is None else replace(plan, bar_sigma=bar)
