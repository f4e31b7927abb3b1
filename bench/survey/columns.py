"""Names, types, units and meaning of every column that a survey writes: the one place.

`key` and `pipeline` identify a row of cases; each file of a table is sorted by them. Columns named
``err_*``, ``*_est_*`` and ``sigma_*`` are null where there is no pose, bounds where there is none
to have. A unit ends the name;
counts, rates and ratios have none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True)
class Column:
    """One column: its name, polars type, unit ("" for none) and what it means."""

    name: str
    dtype: type[pl.DataType]
    unit: str
    meaning: str


@dataclass(frozen=True)
class Component:
    """One component of the pose error: its name, the cases' column and its unit."""

    name: str
    column: str
    unit: str
    meaning: str


# The components that cells summarise, in the order of their columns.
COMPONENTS = (
    Component("rot_x", "err_rot_x_deg", "deg", "rotation about the target's x (pitch)"),
    Component("rot_y", "err_rot_y_deg", "deg", "rotation about the target's y (turn)"),
    Component("rot_z", "err_rot_z_deg", "deg", "rotation about the target's z (roll)"),
    Component("rot", "err_rot_deg", "deg", "angle of the whole rotation error"),
    Component("right", "err_right_mm", "mm", "position to the right, as the picture has it"),
    Component("up", "err_up_mm", "mm", "position upwards, as the picture has it"),
    Component("along", "err_along_mm", "mm", "distance along the line of sight, + is too far"),
)
# The components whose RMS carries an interval in the table of cells.
INTERVAL_COMPONENTS = ("rot", "along")

OUTCOMES = ("ok", "missed", "wrong_id", "mirrored", "ambiguous", "not_finite", "unexplained")


def statistic_name(statistic: str, component: Component) -> str:
    """Return the cells' column of a statistic: ``rms_rot_deg`` of ``rms`` and rot."""
    return f"{statistic}_{component.name}_{component.unit}"


def _numbers(unit: str, *pairs: tuple[str, str]) -> tuple[Column, ...]:
    return tuple(Column(name, pl.Float64, unit, meaning) for name, meaning in pairs)


def _bounds(prefix: str, meaning: str) -> tuple[Column, ...]:
    """Return one column for each component of a pose, as a standard deviation."""
    return tuple(
        Column(f"{prefix}_{c.name}_{c.unit}", pl.Float64, c.unit, f"{meaning}: {c.meaning}")
        for c in COMPONENTS
        if c.name != "rot"
    )


IDENTITY_COLUMNS = (
    Column("key", pl.String, "", "the picture's identity: place in the grid and trial"),
    Column("pipeline", pl.String, "", "detector/solver"),
)

GRID_COLUMNS = (
    *_numbers(
        "m",
        ("range_m", "nominal range of the cell"),
    ),
    *_numbers(
        "deg",
        ("turn_deg", "nominal turn of the cell"),
        ("pitch_deg", "nominal pitch of the cell"),
        ("tilt_deg", "nominal tilt: arccos(cos turn cos pitch)"),
    ),
)

CASE_COLUMNS = (
    *IDENTITY_COLUMNS,
    *GRID_COLUMNS,
    Column(
        "position",
        pl.String,
        "",
        "where in the frame: 'axis', 'wheels', or fractions 'across,down'",
    ),
    Column("trial", pl.Int64, "", "number of the trial within its cell and position, from 0"),
    *_numbers("m", ("range_true_m", "camera centre to target centre")),
    *_numbers(
        "deg",
        ("turn_true_deg", "true turn"),
        ("pitch_true_deg", "true pitch"),
        ("roll_true_deg", "true roll"),
        ("tilt_true_deg", "true angle between normal and line of sight"),
    ),
    *_numbers(
        "px",
        ("u_true_px", "column where the target's centre appears"),
        ("v_true_px", "row where the target's centre appears"),
        ("size_px", "face-on size of the pattern at this range: f times extent over range"),
    ),
    Column("bay", pl.String, "", "which bay as built it is of; null where all is as drawn"),
    *(
        Column(
            f"{part}_rot_{axis}_deg", pl.Float64, "deg", f"{meaning}, about the target's {axis}"
        )
        for part, meaning in {
            "common": "what its camera turns every target by, to first order",
            "own": "what its camera, print and plate turn this target by beyond that",
        }.items()
        for axis in "xyz"
    ),
    Column("whole", pl.Boolean, "", "whether the whole pattern lies in the frame"),
    Column(
        "outcome",
        pl.String,
        "",
        "ok, missed, wrong_id, mirrored, ambiguous, not_finite or unexplained",
    ),
    Column("n_points", pl.Int64, "", "points that the detector gave the solver"),
    *(Column(c.column, pl.Float64, c.unit, f"error: {c.meaning}") for c in COMPONENTS),
    *_numbers("m", ("range_est_m", "estimated range")),
    *_numbers(
        "deg",
        ("turn_est_deg", "estimated turn"),
        ("pitch_est_deg", "estimated pitch"),
        ("roll_est_deg", "estimated roll"),
    ),
    *_numbers(
        "px",
        ("rmse_px", "root mean square distance of a point from its prediction"),
        ("runner_up_rmse_px", "the same of the second solution, where a solver gives one"),
    ),
    Column("ratio", pl.Float64, "", "runner_up_rmse_px / rmse_px; null without a second solution"),
    *_numbers(
        "deg",
        ("sigma_rot_x_deg", "claimed standard uncertainty about the target's x"),
        ("sigma_rot_y_deg", "claimed standard uncertainty about the target's y"),
        ("sigma_rot_z_deg", "claimed standard uncertainty about the target's z"),
    ),
    *_numbers(
        "mm",
        ("sigma_right_mm", "claimed standard uncertainty to the right"),
        ("sigma_up_mm", "claimed standard uncertainty upwards"),
        ("sigma_along_mm", "claimed standard uncertainty along the line of sight"),
    ),
    *_bounds("bound", "Cramér-Rao bound from all pixels of the target's face"),
    *_bounds("allowed", "that bound and the bay's own imperfections together, to first order"),
    *_bounds("corner_bound", "Cramér-Rao bound from the points found, with the noise claimed"),
    *_numbers(
        "",
        ("chi_square", "weighted squared residual of the grey values, photometric solvers"),
        ("degrees", "its degrees of freedom"),
    ),
    *_numbers("px", ("blur_px", "standard deviation of the blur that a photometric solver found")),
)

TIMING_COLUMNS = (
    *IDENTITY_COLUMNS,
    *_numbers(
        "ms",
        ("render_ms", "making the picture, shared by the picture's pipelines"),
        ("detect_ms", "detecting, shared by pipelines with the same detector"),
        ("solve_ms", "solving"),
        ("bound_ms", "the bound of all the picture's pixels, shared by its pipelines"),
        ("score_ms", "joining truth and estimate, and the bound of the points found"),
    ),
)


def _interval(name: str, unit: str, what: str) -> tuple[Column, Column]:
    return (
        Column(f"{name}_lo", pl.Float64, unit, f"{what}, lower end of the 95 % interval"),
        Column(f"{name}_hi", pl.Float64, unit, f"{what}, upper end of the 95 % interval"),
    )


def _rate(name: str, meaning: str) -> tuple[Column, ...]:
    return (Column(name, pl.Float64, "", meaning), *_interval(name, "", f"{name} (Wilson)"))


def _statistics(component: Component) -> tuple[Column, ...]:
    meanings = {
        "bias": "mean error",
        "std": "standard deviation of the error",
        "rms": "root mean square error",
        "median": "median of the error's magnitude",
        "p95": "95th percentile of the error's magnitude",
    }
    return tuple(
        Column(
            statistic_name(statistic, component),
            pl.Float64,
            component.unit,
            f"{meaning}, ok cases: {component.meaning}",
        )
        for statistic, meaning in meanings.items()
    )


CELL_COLUMNS = (
    IDENTITY_COLUMNS[1],
    *GRID_COLUMNS,
    Column("size_px", pl.Float64, "px", "mean face-on size of the pattern"),
    Column("n", pl.Int64, "", "cases in the cell, all positions and trials"),
    Column("n_cut", pl.Int64, "", "cases whose pattern doesn't lie wholly in the frame"),
    *(Column(f"n_{o}", pl.Int64, "", f"cases that ended {o}") for o in OUTCOMES),
    *_rate("detection_rate", "(n - n_missed - n_wrong_id) / n"),
    *_rate("usable_rate", "n_ok / n"),
    *(column for c in COMPONENTS for column in _statistics(c)),
    *_interval("rms_rot_deg", "deg", "RMS of the rotation error (bootstrap)"),
    *_interval("p95_rot_deg", "deg", "95th percentile of the rotation error (order statistics)"),
    *_interval("rms_along_mm", "mm", "RMS of the error along the line of sight (bootstrap)"),
    *_numbers(
        "deg",
        (
            "rms_common_rot_deg",
            "RMS of what a case's camera turns every target by, to first order",
        ),
        ("rms_own_rot_deg", "RMS of what camera, print and plate turn its target by beyond that"),
        ("rms_picture_rot_deg", "RMS of what is left of the rotation error: noise, light, dirt"),
    ),
    *(
        Column(statistic_name(prefix, c), pl.Float64, c.unit, f"{meaning}, all cases: {c.meaning}")
        for prefix, meaning in {
            "bound": "root mean square of the cases' Cramér-Rao bounds from all pixels",
            "allowed": "the same of what the bay allows: bound and imperfections together",
            "corner_bound": "root mean square of the bounds from the points found",
        }.items()
        for c in COMPONENTS
    ),
    *(
        Column(
            f"efficiency_{c.name}",
            pl.Float64,
            "",
            f"what the bay allows (as drawn: the bound) / RMS error, ok cases: {c.meaning}",
        )
        for c in COMPONENTS
    ),
    Column(
        "bound_holds",
        pl.Boolean,
        "",
        "whether 95 % of the cases are tilted by two bounds of the rotation or more: nearer to "
        "face-on an estimate can be better than the bound",
    ),
)


# Of cells as built; runs of earlier versions, all as drawn, lack them.
PART_COLUMNS = ("rms_common_rot_deg", "rms_own_rot_deg", "rms_picture_rot_deg")


def with_later(cells: pl.DataFrame) -> pl.DataFrame:
    """Return a table of cells with the columns that runs of earlier versions don't have.

    All in them was as drawn: the bound was what the bay allows, and an error had no parts.
    """
    allowed = {f"allowed_{c.name}_{c.unit}": f"bound_{c.name}_{c.unit}" for c in COMPONENTS}
    return cells.with_columns(
        *(
            pl.col(bound).alias(name)
            for name, bound in allowed.items()
            if name not in cells.columns and bound in cells.columns
        ),
        *(
            pl.lit(None, pl.Float64).alias(name)
            for name in PART_COLUMNS
            if name not in cells.columns
        ),
    )


def schema(columns: Sequence[Column]) -> dict[str, type[pl.DataType]]:
    """Return the polars schema of a table's columns."""
    return {column.name: column.dtype for column in columns}


def names(columns: Sequence[Column]) -> list[str]:
    """Return the columns' names in order."""
    return [column.name for column in columns]
