"""What the proofs on site share: the registration they stand on, and how files are written."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import polars as pl
import typer

from bench.budget.registration import registration_response
from bench.budget.views import towers_of
from bench.cli.results import origin
from bench.errors import ConfigError
from bench.files import make_directory, write_atomically
from bench.registration.plan import default_sequence
from bench.scene.bar_section import read_poses
from bench.scene.model import Bay, Tower
from bench.sighting.prediction import predictor_of
from bench.typing import Array

CornerSigmaOption = Annotated[
    float | None,
    typer.Option(
        metavar="PIXELS",
        help="Standard deviation of a corner's coordinate.",
        show_default="what the bay's detector claims",
    ),
]
RegistrationOption = Annotated[
    Path | None,
    typer.Option(
        "--registration",
        metavar="FILE.toml",
        help="Places of the bar by which the towers were registered.",
        show_default="the best short sequence for this bay",
    ),
]
TableArgument = Annotated[
    Path, typer.Argument(metavar="TABLE.csv", help="What was measured.", show_default=False)
]


@dataclass(frozen=True, eq=False)
class Tied:
    """Both towers, tied to each other: noise of a corner, and covariance of T_left_right."""

    left: Tower
    right: Tower
    sigma_px: float
    covariance: Array


def tied(bay: Bay, sigma_px: float | None, registration: Path | None) -> Tied:
    """Return the towers with a registration rehearsed."""
    left, right = towers_of(bay)
    sigma = predictor_of(bay, "corner", sigma_px).sigma_px
    poses = default_sequence(bay) if registration is None else read_poses(registration, bay.bar)
    response = registration_response(bay, poses, sigma)
    return Tied(left, right, sigma, response.covariance)


def write_proof(
    out: Path, stem: str, table: pl.DataFrame, content: dict[str, Any], bay: Bay, started: str
) -> None:
    """Write a table as CSV and all there is to say as JSON, and say so.

    Raises
    ------
    RunError
        A file can't be written.
    """
    make_directory(out)
    facts = {
        **origin(started),
        "bay": {"name": bay.name, "file": bay.path.name, "digest": bay.digest},
        **content,
        "table": table.to_dicts(),
    }
    write_atomically(
        out / f"{stem}.json", json.dumps(facts, indent=1, ensure_ascii=False).encode()
    )
    write_atomically(out / f"{stem}.csv", table.write_csv().encode())
    typer.echo(f"Wrote to {out}: {stem}.json, {stem}.csv.")


def print_table(rows: Sequence[Sequence[str]]) -> None:
    """Print rows, the first the head, in columns."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    for row in rows:
        typer.echo("  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip())


def within(name: str, value: float, low: float, high: float) -> float:
    """Return a number, or refuse it.

    Raises
    ------
    ConfigError
        It lies outside.
    """
    if not low <= value <= high:
        raise ConfigError(f"{name}: {value:g} lies outside the limits, from {low:g} to {high:g}")
    return value
