"""Files of a registration: tables as CSV and JSON, pictures as PNG."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from bench.envelope import Facts, Kind, Origin, write_result
from bench.files import make_directory, write_atomically
from bench.registration.judgement import Judged
from bench.registration.plan import Progress
from bench.registration.rehearsal import Rehearsal
from bench.registration.reliability import Reliability
from bench.registration.result import REGISTRATION, registration_value
from bench.registration.words import AXES, slip_words
from bench.scene.bar import BarPose
from bench.scene.bar_section import poses_toml
from bench.scene.model import Bay
from bench.tables import finite_or_none
from bench.typing import Array


def write_rows(
    out: Path,
    name: str,
    table: pl.DataFrame,
    origin: Origin,
    of: str = "registration",
    digits: int = 8,
) -> None:
    """Write NAME.csv and NAME.json, the latter with where the numbers come from.

    Where columns are about or along x, y and z, it says whose. `of` is what the table is of, a
    registration or a level.
    """
    write_atomically(out / f"{name}.csv", table.write_csv(float_precision=digits).encode())
    axes = {"axes": list(AXES)} if any("_x_" in column for column in table.columns) else {}
    by = {"registration": "register"}.get(of, of)
    kind = Kind(f"{name} of a {of}".replace("_", " "), f"{name}.json", by, Facts)
    write_result(out / kind.file, kind, {**axes, "rows": table.to_dicts()}, origin)


def poses_table(poses: Sequence[BarPose], found: Reliability) -> pl.DataFrame:
    """Return a row for each bar pose, with what the checks find there; null where nothing."""
    return pl.DataFrame(
        [
            {
                "step": i + 1,
                "distance_m": p.distance,
                "offset_m": p.offset,
                "height_m": p.height,
                "heading_deg": float(np.degrees(p.heading)),
                "slope_deg": float(np.degrees(p.slope)),
                "turn_deg": float(np.degrees(p.turn)),
                "reversed": p.reversed,
                "redundancy": step.redundancy,
                "least_slip_mm": finite_or_none(1e3 * step.least_slip),
                "least_slip_deg": finite_or_none(float(np.degrees(step.least_turn))),
                "hidden_slip_over_tolerance": step.cost,
            }
            for i, (p, step) in enumerate(zip(poses, found.steps, strict=True))
        ]
    )


def progress_rows(name: str, found: Sequence[Progress]) -> list[dict[str, Any]]:
    """Return a row for each step of a list of bar poses; null where undetermined."""
    return [
        {
            "list": name,
            "steps": p.steps,
            "rank": p.rank,
            "unknowns": p.unknowns,
            **_columns("sigma_rot", np.degrees(p.sigma_rotation), "deg"),
            **_columns("sigma", 1e3 * p.sigma_translation, "mm"),
            "least_singular_value_per_m": p.weakest.singular_value,
            "undetermined": "; ".join(direction.words for direction in p.open),
        }
        for p in found
    ]


def _columns(name: str, values: Array, unit: str) -> dict[str, float | None]:
    return {
        f"{name}_{axis}_{unit}": float(v) if np.isfinite(v) else None
        for axis, v in zip("xyz", values, strict=True)
    }


def write_judged(out: Path, judged: Judged, origin: Origin) -> None:
    """Write registration.json, the checks, and a picture of the residuals.

    Raises
    ------
    RunError
        A file can't be written.
    """
    make_directory(out)
    write_result(out / REGISTRATION.file, REGISTRATION, registration_value(judged), origin)
    write_rows(out, "checks", judged.checks_table(), origin)
    from bench.draw import style  # matplotlib loads slowly
    from bench.registration.figures import residual_figure

    with style.applied():
        figure = residual_figure(judged.registration, origin.command)
        style.save(figure, out / "residuals.png")


def write_plan(
    out: Path,
    bay: Bay,
    found: tuple[BarPose, ...],
    ranked: Mapping[str, Sequence[Progress]],
    reliable: Reliability,
    origin: Origin,
    note: str,
) -> None:
    """Write plan.toml, tables of the lists and of the poses found, and a picture of the poses.

    Parameters
    ----------
    out : Path
        Directory.
    bay : Bay
        Whose.
    found : tuple of BarPose
        The list found by search.
    ranked : mapping of str to sequence of Progress
        What each list determines, the best first.
    reliable : Reliability
        What the checks of the list found find.
    origin : Origin
        Where the poses come from.
    note : str
        Of the picture.

    Raises
    ------
    RunError
        A file can't be written.
    """
    make_directory(out)
    comment = f"Bar poses for {bay.name}.\n{origin.command}"
    write_atomically(out / "plan.toml", poses_toml(found, comment).encode())
    rows = [row for name, steps in ranked.items() for row in progress_rows(name, steps)]
    write_rows(out, "sets", pl.DataFrame(rows), origin)
    write_rows(out, "plan", poses_table(found, reliable), origin)
    said = [slip_words(step) for step in reliable.steps]
    write_poses(out, "plan_poses", bay, found, note, said)


def write_rehearsal(
    out: Path, bay: Bay, result: Rehearsal, steps: Sequence[Progress], origin: Origin
) -> None:
    """Write the trials' errors, and what each step adds."""
    table = pl.DataFrame(
        {
            **{
                f"err_rot_{axis}_deg": np.degrees(result.errors[:, k])
                for k, axis in enumerate("xyz")
            },
            **{f"err_{a}_mm": 1e3 * result.errors[:, 3 + k] for k, a in enumerate("xyz")},
            "normalised_squared": result.normalised,
            "p_value": result.p_values,
            "failed_checks": ["; ".join(names) for names in result.alarms],
        }
    )
    write_rows(out, "rehearsals", table, origin)
    write_rows(out, "progress", pl.DataFrame(progress_rows(bay.name, steps)), origin)


def write_poses(
    out: Path, name: str, bay: Bay, poses: Sequence[BarPose], note: str, said: Sequence[str] = ()
) -> None:
    """Draw the bar's poses from above, see `bench.registration.figures.poses_figure`."""
    from bench.draw import style  # matplotlib loads slowly
    from bench.registration.figures import poses_figure

    with style.applied():
        style.save(poses_figure(bay, poses, note, said), out / f"{name}.png")
