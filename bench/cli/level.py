"""`sightbench level`: tell towers which way is up, by a bar and its spirit level or a floor."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import polars as pl
import typer
from scipy.stats import chi2

from bench import __version__
from bench.cli.options import BayArgument, OutOption, SeedOption, parse_angle, parse_length
from bench.cli.progress import progress_bar
from bench.cli.results import write_run
from bench.errors import ConfigError
from bench.files import make_directory, write_atomically
from bench.geometry.pose import Pose
from bench.registration.bar_views import tower_pair
from bench.registration.level import Kind, find_level
from bench.registration.level_plan import (
    LevelPlan,
    default_plan,
    level_shares,
    planned_up,
    reference_of,
)
from bench.registration.level_rehearsal import Site, draw_settings, rehearse_level
from bench.registration.level_table import level_facts, level_table, read_level_table
from bench.registration.level_words import lines, open_words, share_rows, variants
from bench.registration.pose_rows import read_registration
from bench.scene.load import load_bay
from bench.scene.model import Bay
from bench.survey import provenance

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
    typer.Option(
        "--height-uncertainty",
        parser=parse_length,
        metavar="LENGTH",
        help="Standard uncertainty of the height of a stand's seat over the common datum; with "
        "--floor, of floor and stand together.",
        show_default="0.3 mm; with --floor 1 mm",
    ),
]
BarOption = Annotated[
    float | None,
    typer.Option(
        "--bar-error",
        parser=parse_angle,
        metavar="ANGLE",
        help="Standard uncertainty of the bar's own error: its turning axis against its seat, "
        "or the zero of its spirit level.",
        show_default="0.03 deg",
    ),
]


@app.command("rehearse")
def rehearse_command(
    bay: BayArgument = None,
    floor: FloorOption = False,
    trials: Annotated[int, typer.Option(min=2, max=100_000, help="Of each plan.")] = 60,
    distance: Annotated[
        list[float] | None,
        typer.Option(
            parser=parse_length,
            metavar="LENGTH",
            help="Of the bar from the tower line; may be given several times.",
            show_default="the nearest one that works, and one up to 3 m farther",
        ),
    ] = None,
    height_uncertainty: HeightOption = None,
    bar_error: BarOption = None,
    plumb: Annotated[
        float, typer.Option(parser=parse_angle, help="Towers' lean, standard deviation.")
    ] = "0.5 deg",  # type: ignore[assignment]  # read by the parser
    floor_slope: Annotated[
        float, typer.Option(parser=parse_angle, help="The floor's slope, standard deviation.")
    ] = "0.3 deg",  # type: ignore[assignment]
    seed: SeedOption = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress bar.")] = False,
    out: OutOption = DEFAULT_OUT,
) -> int:
    """Simulate finding level many times, as planned and with something left out.

    Truth is known: towers lean, the floor slopes, the bar has an error of its own, the spirit
    level is read with its sensitivity, stands have wrong heights, corners are noisy. For each
    plan the claimed uncertainty stands beside the error that came out, by source. The first
    rehearsal's measured poses go to rehearsal.csv, for 'solve' to be tried on.

    \b
    Examples:
      sightbench level rehearse
      sightbench level rehearse my-bay.toml --distance "2.5 m" --distance "6 m" --trials 500
      sightbench level rehearse --floor --height-uncertainty "2 mm"
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    started = provenance.now()
    place = load_bay(bay)
    plan = _plan(place, "floor" if floor else "level", height_uncertainty, bar_error)
    if distance:
        plan = replace(plan, distances=tuple(distance))
    site = Site(plumb=plumb, floor_slope=floor_slope)
    start = place.survey.seed if seed is None else seed
    plans = variants(place, plan)
    shares = {name: level_shares(place, one) for name, one in plans.items()}
    done: dict[str, Any] = {}
    with progress_bar("rehearsals", quiet) as moved:
        for k, (name, one) in enumerate(plans.items()):
            before = k * trials

            def step(count: int, _: int, before: int = before) -> None:
                moved(before + count, trials * len(plans))

            done[name] = rehearse_level(place, one, trials, start, name, site, step)
    make_directory(out)
    rows = [row for name in plans for row in share_rows(name, shares[name])]
    _write_table(out, "shares", rows)
    results = [
        {
            "plan": name,
            "trials": trials,
            "rms_across_deg": float(np.degrees(one.rms[0])),
            "rms_along_deg": float(np.degrees(one.rms[1])),
            "rms_gravity_across_deg": float(np.degrees(one.gravity_rms[0])),
            "rms_gravity_along_deg": float(np.degrees(one.gravity_rms[1])),
            "determined_directions": one.dof,
            "p_value": one.p_value,
        }
        for name, one in done.items()
    ]
    _write_table(out, "rehearsals", results)
    _save_example(place, plan, site, start, out)
    note = f"{place.name}; {trials} rehearsals a plan, seed {start}; {provenance.command_line()}"
    _draw(out, shares, {name: one.rms for name, one in done.items()}, note)
    write_run(out, started, {"bay": str(place.path), "bay_digest": place.digest, "seed": start})
    apart = ", ".join(f"{d:.2f} m" for d in plan.distances)
    turns = " and ".join(f"{np.degrees(t):+.0f} deg" for t in plan.turns)
    typer.echo(f"{place.name}: bar at {apart} from the tower line, turned {turns}")
    for line in lines(shares["as planned"], plan.kind, plan.reversal):
        typer.echo(f"  {line}")
    for row in results:
        left_open = open_words(shares[row["plan"]])
        along = "open" if left_open else f"{row['rms_along_deg']:.4f}"
        typer.echo(
            f"{row['plan']}: {trials} rehearsals, RMS error {row['rms_across_deg']:.4f} deg "
            f"across, {along} along; against gravity {row['rms_gravity_across_deg']:.4f} across"
        )
    doubted = [row["plan"] for row in results if row["p_value"] < DOUBT]
    for name in doubted:
        typer.echo(f"claims were not honest: {name}: p below {DOUBT:g}")
    typer.echo(f"wrote shares, rehearsals, rehearsal.csv and level.png in {out}")
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
    bay: Annotated[
        Path | None,
        typer.Option(
            "--bay", metavar="BAY.toml", help="Whose bar and towers.", show_default=False
        ),
    ] = None,
    registration: Annotated[
        Path | None,
        typer.Option(
            metavar="registration.json",
            help="As 'sightbench register solve' writes it: both towers find one level together.",
            show_default=False,
        ),
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
    started = provenance.now()
    place = load_bay(bay)
    plan = _plan(place, "floor" if floor else "level", height_uncertainty, bar_error)
    transform, covariance = None, None
    if registration is not None:
        transform, covariance = read_registration(registration)
    if table is None:
        typer.echo("no table given: solving a rehearsed one, saved as rehearsal.csv")
        make_directory(out)
        _save_example(place, plan, Site(), place.survey.seed, out)
        table = out / "rehearsal.csv"
    settings = read_level_table(table, place.bar.length)
    level = find_level(
        settings, reference_of(place, plan), transform, covariance, planned_up(place)
    )
    make_directory(out)
    facts = {"table": str(table), "bay": str(place.path), "bay_digest": place.digest}
    _write_json(out / "level.json", {**facts, **level_facts(level)})
    rows, code = [], 0
    ways = {s.reversed for s in settings}
    for up in level.ups:
        tower = tower_pair(place)[0 if up.tower == "left" else 1]
        found = tower.T_bay_camera.rotation @ up.direction
        typer.echo(
            f"{up.tower} tower: up in its camera's frame is "
            f"({', '.join(f'{v:+.6f}' for v in up.direction)}); against the bay file it leans "
            f"{np.degrees(np.arctan2(found[0], found[2])):+.3f} deg along the bay's x, "
            f"{np.degrees(np.arctan2(found[1], found[2])):+.3f} deg to the left, both of up"
        )
        turn = tower.T_bay_camera.rotation
        shares = {name: (turn @ part @ turn.T)[:2, :2] for name, part in up.shares.items()}
        rows += share_rows(f"{up.tower} tower", shares)
        for line in lines(shares, level.kind, len(ways) == 2):
            typer.echo(f"  {line}")
        code = COULD_NOT_JUDGE if open_words(shares) else code
    if level.bar_error is not None:
        typer.echo(
            f"the bar's own error: {np.degrees(level.bar_error):+.4f} deg, standard uncertainty "
            f"{np.degrees(level.bar_error_sigma):.4f} deg"
        )
    if level.dof > 0:
        p_value = float(chi2.sf(level.chi2, level.dof))
        typer.echo(
            f"residuals: chi-square {level.chi2:.1f} for {level.dof} degrees of freedom, p = "
            f"{p_value:.2g}"
        )
        if p_value < DOUBT:
            typer.echo(
                f"don't use this level: rows contradict each other, p below {DOUBT:g}; a place, "
                "its height, 'reversed' or a tower is wrong, stands moved, or uncertainties are "
                "too small"
            )
            code = NEGATIVE
    _write_table(out, "shares", rows)
    write_run(out, started, facts)
    typer.echo(f"wrote level.json and shares in {out}")
    return code


def _plan(bay: Bay, kind: Kind, height: float | None, bar: float | None) -> LevelPlan:
    plan = default_plan(bay, kind)
    for name, value in (("--height-uncertainty", height), ("--bar-error", bar)):
        if value is not None and not value > 0.0:
            raise ConfigError(f"{name} must be above 0")
    plan = plan if height is None else replace(plan, height_sigma=height)
    return plan if bar is None else replace(plan, bar_sigma=bar)


def _save_example(bay: Bay, plan: LevelPlan, site: Site, seed: int, out: Path) -> None:
    left, right = tower_pair(bay)
    rng = np.random.default_rng(np.random.SeedSequence([seed, 0]))
    cameras = (left.T_bay_camera, right.T_bay_camera)
    settings = draw_settings(bay, plan, site, cameras, Pose.identity(), rng)
    write_atomically(out / "rehearsal.csv", level_table(settings).encode())


def _write_table(out: Path, name: str, rows: list[dict[str, Any]]) -> None:
    table = pl.DataFrame(rows)
    write_atomically(out / f"{name}.csv", table.write_csv(float_precision=7).encode())
    _write_json(out / f"{name}.json", {"rows": rows})


def _write_json(path: Path, content: dict[str, Any]) -> None:
    whole = {"command": provenance.command_line(), "version": __version__, **content}
    write_atomically(path, json.dumps(whole, indent=1, allow_nan=False).encode())


def _draw(out: Path, shares: dict[str, Any], rms: dict[str, Any], note: str) -> None:
    from bench.draw.style import save
    from bench.registration.level_figures import draw_level  # matplotlib takes a second to load

    save(
        draw_level(shares, rms, "Which way is up: how well towers know it", note),
        out / "level.png",
    )
