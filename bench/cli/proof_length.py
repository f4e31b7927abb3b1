"""`sightbench proof length`: a calibrated bar measured at several places."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import polars as pl
import typer

from bench.cli.options import BayArgument, OutOption, SeedOption, parse_length
from bench.cli.proof_common import (
    CornerSigmaOption,
    RegistrationOption,
    TableArgument,
    print_table,
    tied,
    write_proof,
)
from bench.errors import ConfigError
from bench.files import make_directory, write_atomically
from bench.proof.acceptance import Volume, lines_of, simulate_acceptance
from bench.proof.length import (
    K,
    LengthPlan,
    default_places,
    evaluate_length,
    plan_length,
)
from bench.proof.table import read_rows
from bench.scene.bar import Bar
from bench.scene.bar_section import poses_toml, read_poses
from bench.scene.load import load_bay
from bench.scene.model import Bay, wheels
from bench.survey import provenance

DEFAULT_OUT = Path("sightbench-proof-length")
PLACES_FILE = "length-places.toml"
FAILS = 1

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Measure a separately calibrated bar at several places: does the length come out?",
)
PlacesOption = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE.toml",
        help="Places of the bar.",
        show_default="spread over the bay's depth and height",
    ),
]
LengthOption = Annotated[
    float | None,
    typer.Option(
        "--length",
        parser=parse_length,
        metavar="LENGTH",
        help="Calibrated distance of the bar's targets.",
        show_default="from the bay file's [bar]",
    ),
]
UncertaintyOption = Annotated[
    float | None,
    typer.Option(
        "--length-uncertainty",
        parser=parse_length,
        metavar="LENGTH",
        help="Its standard uncertainty.",
        show_default="from the bay file's [bar]",
    ),
]


def _bar(bay: Bay, length: float | None, uncertainty: float | None) -> Bar:
    if uncertainty is not None and not uncertainty > 0.0:
        raise ConfigError("length: the standard uncertainty of the length must be above 0")
    bar = bay.bar
    return replace(
        bar,
        length=bar.length if length is None else length,
        length_uncertainty=bar.length_uncertainty if uncertainty is None else uncertainty,
    )


def _plan(
    bay: Bay, bar: Bar, places: Path | None, sigma_px: float | None, registration: Path | None
) -> LengthPlan:
    towers = tied(bay, sigma_px, registration)
    nearest = min(-float(w.centre[0]) for w in wheels(bay))
    farthest = max(-float(w.centre[0]) for w in wheels(bay))
    chosen = (
        default_places(towers.left, towers.right, bar, nearest, min(farthest, nearest + 4.0))
        if places is None
        else read_poses(places, bar)
    )
    return plan_length(towers.left, towers.right, bar, chosen, towers.sigma_px, towers.covariance)


@app.command("plan")
def plan_command(
    bay: BayArgument = None,
    places: PlacesOption = None,
    readings: Annotated[int, typer.Option(min=1, max=1000, help="At each place.")] = 3,
    length: LengthOption = None,
    length_uncertainty: UncertaintyOption = None,
    corner_sigma: CornerSigmaOption = None,
    registration: RegistrationOption = None,
    out: OutOption = DEFAULT_OUT,
) -> None:
    """Say where to put the bar and how large an error of length the check will find.

    The bar must have been calibrated apart from this bay; take another than the one that the
    towers were registered with, whose own error the registration hides. Writes the places, and an
    empty table length-readings.csv to fill in with columns place, length_mm.

    For instance:

      sightbench proof length plan my-bay.toml --length "1899.62 mm" --length-uncertainty "0.05 mm"
    """
    started = provenance.now()
    site = load_bay(bay)
    plan = _plan(site, _bar(site, length, length_uncertainty), places, corner_sigma, registration)
    sigma = plan.sigma(readings)
    rows = [("place", "where", f"expanded uncertainty mm (k = {K:g})")]
    for number, (place, s) in enumerate(zip(plan.places, sigma, strict=True), start=1):
        rows.append((str(number), place.words, f"{1e3 * K * s:.2f}"))
    print_table(rows)
    scale = plan.detectable_scale(readings)
    typer.echo(
        f"An error of scale of {1e6 * scale:.0f} parts in a million "
        f"({1e3 * scale * plan.length:.2f} mm of {1e3 * plan.length:.1f}) will be found "
        "with 80 % chance, at 5 % of false alarms."
    )
    table = pl.DataFrame(
        {
            "place": range(1, len(sigma) + 1),
            "where": [place.words for place in plan.places],
            "expanded_mm": [1e3 * K * float(s) for s in sigma],
        }
    )
    make_directory(out)
    write_atomically(
        out / PLACES_FILE, poses_toml(plan.places, "Places of the length check.").encode()
    )
    blank = "place,length_mm\n" + "".join(
        f"{n},\n" for n in range(1, len(sigma) + 1) for _ in range(readings)
    )
    write_atomically(out / "length-readings.csv", blank.encode())
    typer.echo(f"Wrote to {out}: {PLACES_FILE}, length-readings.csv.")
    content = {"detectable_scale": scale, "readings": readings, "length_mm": 1e3 * plan.length}
    write_proof(out, "length-plan", table, content, site, started)


@app.command("evaluate")
def evaluate_command(
    table: TableArgument,
    bay: BayArgument = None,
    places: PlacesOption = None,
    length: LengthOption = None,
    length_uncertainty: UncertaintyOption = None,
    corner_sigma: CornerSigmaOption = None,
    registration: RegistrationOption = None,
    out: OutOption = DEFAULT_OUT,
) -> int:
    """Judge lengths measured at the plan's places: columns place (1, 2, ...) and length_mm.

    Errors at different places share the registration's and the calibration's; all are judged
    together, with their correlations, at 5 % of false alarms.

    Ends with 0 where the lengths hold, 1 where they don't.
    """
    started = provenance.now()
    site = load_bay(bay)
    plan = _plan(site, _bar(site, length, length_uncertainty), places, corner_sigma, registration)
    n = len(plan.places)
    readings: list[list[float]] = [[] for _ in range(n)]
    for texts, numbers in read_rows(table, ("place",), ("length_mm",)):
        place = texts["place"]
        if not (place.isascii() and place.isdigit() and 1 <= int(place) <= n):
            raise ConfigError(f"{table}: place: '{place}' must be a whole number from 1 to {n}")
        readings[int(place) - 1].append(1e-3 * numbers["length_mm"])
    result = evaluate_length(plan, readings)
    rows = [("place", "readings", "error mm", "expanded uncertainty mm")]
    for number in range(n):
        error, u = 1e3 * result.errors[number], 1e3 * result.expanded[number]
        rows.append((str(number + 1), str(result.readings[number]), f"{error:+.3f}", f"{u:.3f}"))
    print_table(rows)
    worst = result.worst
    size = f"{abs(1e3 * result.errors[worst]):.3f} mm of {1e3 * result.expanded[worst]:.3f}"
    verdict = "hold" if result.holds else "don't hold"
    typer.echo(
        f"The lengths {verdict}: p = {result.p_value:.3g}; the worst, place {worst + 1}, {size}. "
        f"Scale {1e6 * result.scale:+.0f} ± {2e6 * result.scale_sigma:.0f} parts in a million."
    )
    frame = pl.DataFrame(
        {
            "place": range(1, n + 1),
            "readings": result.readings,
            "error_mm": 1e3 * result.errors,
            "expanded_mm": 1e3 * result.expanded,
        }
    )
    content = {
        "verdict": "holds" if result.holds else "doesn't hold",
        "p_value": result.p_value,
        "chi_square": result.chi_square,
        "scale": result.scale,
        "scale_sigma": result.scale_sigma,
    }
    write_proof(out, "length-result", frame, content, site, started)
    return 0 if result.holds else FAILS


@app.command("simulate")
def simulate_command(
    bay: BayArgument = None,
    near: Annotated[
        float,
        typer.Option(
            parser=parse_length, metavar="LENGTH", help="Nearest distance from the tower line."
        ),
    ] = "3.2 m",  # type: ignore[assignment]
    far: Annotated[
        float,
        typer.Option(
            parser=parse_length, metavar="LENGTH", help="Farthest distance from the tower line."
        ),
    ] = "5.6 m",  # type: ignore[assignment]
    low: Annotated[
        float,
        typer.Option(parser=parse_length, metavar="LENGTH", help="Lowest height above the floor."),
    ] = "0.35 m",  # type: ignore[assignment]
    high: Annotated[
        float,
        typer.Option(
            parser=parse_length, metavar="LENGTH", help="Greatest height above the floor."
        ),
    ] = "0.7 m",  # type: ignore[assignment]
    half_width: Annotated[
        float,
        typer.Option(
            parser=parse_length, metavar="LENGTH", help="Greatest distance from the centre line."
        ),
    ] = "0.7 m",  # type: ignore[assignment]
    runs: Annotated[
        int, typer.Option(min=100, max=100_000, metavar="N", help="Simulated tests.")
    ] = 2000,
    corner_sigma: CornerSigmaOption = None,
    registration: RegistrationOption = None,
    seed: SeedOption = None,
    out: OutOption = DEFAULT_OUT,
) -> None:
    """Simulate seven lines of five lengths in a volume, the plan of VDI/VDE 2634 part 1.

    Lines run along the bay, across it and upright through the volume's middle, and along its
    four space diagonals; NEAR and FAR are distances from the tower line. It says what the largest
    error of such a test would be; it is no acceptance test.
    """
    started = provenance.now()
    site = load_bay(bay)
    towers = tied(site, corner_sigma, registration)
    if not (0.0 < near < far and 0.0 < low < high and half_width > 0.0):
        raise ConfigError("simulate: NEAR must lie before FAR and LOW below HIGH, all above 0")
    volume = Volume(near, far, low, high, half_width)
    chosen = site.survey.seed if seed is None else seed
    found = simulate_acceptance(
        towers.left,
        towers.right,
        site.target,
        volume,
        towers.sigma_px,
        towers.covariance,
        chosen,
        runs,
    )
    names = ["along", "across", "upright", *(f"diagonal {i}" for i in range(1, 5))]
    ends = lines_of(volume)
    rows = [("line", "lengths mm", "standard deviations mm")]
    table = []
    for i, name in enumerate(names):
        lengths = 1e3 * found.lengths[i]
        sigma = 1e3 * found.sigma[i]
        rows.append(
            (name, " ".join(f"{v:.0f}" for v in lengths), " ".join(f"{v:.2f}" for v in sigma))
        )
        for j in range(len(lengths)):
            table.append(
                {
                    "line": name,
                    "from": " ".join(f"{v:.3f}" for v in ends[i, 0]),
                    "to": " ".join(f"{v:.3f}" for v in ends[i, 1]),
                    "length_mm": float(lengths[j]),
                    "sigma_mm": float(sigma[j]),
                }
            )
    print_table(rows)
    largest = 1e3 * found.quantile(0.95)
    typer.echo(
        f"The largest of the 35 errors stays below {largest:.2f} mm in 95 % of {runs} simulated "
        f"runs (its median is {1e3 * found.quantile(0.5):.2f} mm), seed {chosen}."
    )
    content = {"runs": runs, "seed": chosen, "largest_mm_95": largest}
    write_proof(out, "length-simulation", pl.DataFrame(table), content, site, started)
