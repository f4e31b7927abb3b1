"""Files of a registration: tables as CSV and JSON, pictures as PNG."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from bench import __version__
from bench.files import make_directory, write_atomically
from bench.registration.judgement import Judged
from bench.registration.plan import Progress
from bench.registration.rehearsal import Rehearsal
from bench.registration.words import AXES
from bench.scene.bar import BarPose
from bench.scene.bar_section import poses_toml
from bench.scene.model import Bay
from bench.survey import provenance
from bench.typing import Array


def write_rows(out: Path, name: str, table: pl.DataFrame) -> None:
    """Write NAME.csv and NAME.json, the latter with where the numbers come from.

    Where columns are about or along x, y and z, it says whose.
    """
    write_atomically(out / f"{name}.csv", table.write_csv(float_precision=8).encode())
    axes = {"axes": list(AXES)} if any("_x_" in column for column in table.columns) else {}
    rows = [_finite(row) for row in table.iter_rows(named=True)]
    _json(out / f"{name}.json", {**axes, "rows": rows})


def write_json(out: Path, judged: Judged) -> None:
    """Write registration.json."""
    _json(out / "registration.json", judged.as_dict())


def _json(path: Path, content: dict[str, Any]) -> None:
    whole = {"command": provenance.command_line(), "version": __version__, **content}
    text = json.dumps(whole, indent=1, allow_nan=False, ensure_ascii=False)
    write_atomically(path, text.encode())


def _finite(row: dict[str, Any]) -> dict[str, Any]:
    return {k: None if isinstance(v, float) and not np.isfinite(v) else v for k, v in row.items()}


def poses_table(poses: Sequence[BarPose]) -> pl.DataFrame:
    """Return a row for each bar pose."""
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
            }
            for i, p in enumerate(poses)
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


def write_judged(out: Path, judged: Judged, note: str) -> None:
    """Write registration.json, the checks, what leaving steps out changes, and residuals.

    Raises
    ------
    RunError
        A file can't be written.
    """
    make_directory(out)
    write_json(out, judged)
    write_rows(out, "checks", judged.checks_table())
    write_rows(out, "left_out", judged.left_out_table())
    write_figure(out, "residuals", "residual", judged.registration, note)


def write_plan(
    out: Path,
    bay: Bay,
    found: tuple[BarPose, ...],
    ranked: Mapping[str, Sequence[Progress]],
    drawn: Sequence[str],
    comment: str,
    note: str,
) -> None:
    """Write plan.toml, tables of the lists and of the poses found, and pictures.

    Parameters
    ----------
    out : Path
        Directory.
    bay : Bay
        Whose tolerance is drawn.
    found : tuple of BarPose
        The list found by search.
    ranked : mapping of str to sequence of Progress
        What each list determines, the best first.
    drawn : sequence of str
        Lists whose progress is drawn.
    comment, note : str
        Where the poses and the pictures come from.

    Raises
    ------
    RunError
        A file can't be written.
    """
    make_directory(out)
    write_atomically(out / "plan.toml", poses_toml(found, comment).encode())
    rows = [row for name, steps in ranked.items() for row in progress_rows(name, steps)]
    write_rows(out, "sets", pl.DataFrame(rows))
    write_rows(out, "plan", poses_table(found))
    columns = [(name, ranked[name]) for name in drawn]
    write_figure(out, "plan_poses", "poses", bay, found, note)
    write_figure(out, "plan_progress", "progress", columns, bay.tolerance.toe, note)


def write_rehearsal(
    out: Path, bay: Bay, result: Rehearsal, steps: Sequence[Progress], note: str
) -> None:
    """Write the trials' errors, what each step adds, and a picture of the errors."""
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
    write_rows(out, "rehearsals", table)
    write_rows(out, "progress", pl.DataFrame(progress_rows(bay.name, steps)))
    write_figure(out, "rehearsal_errors", "error", result.errors, result.claimed, note)


def write_figure(out: Path, name: str, kind: str, *arguments: Any) -> None:
    """Draw one of the pictures of `bench.registration.figures` and write it."""
    from bench.draw import style  # matplotlib loads slowly
    from bench.registration import figures

    draw = getattr(figures, f"{kind}_figure")
    with style.applied():
        style.save(draw(*arguments), out / f"{name}.png")
