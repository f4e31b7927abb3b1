"""From cases to cells: rates with Wilson intervals, errors with their statistics.

Errors are summarised over ok cases alone; how many were not ok, and why, stands beside them.
Sums run over cases in order of their keys, so that equal cases give equal bits.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from bench.errors import RunError
from bench.survey.columns import (
    CELL_COLUMNS,
    COMPONENTS,
    INTERVAL_COMPONENTS,
    OUTCOMES,
    Component,
    schema,
    statistic_name,
)
from bench.survey.pieces import Cases, pieces_of
from bench.survey.plan import number
from bench.survey.statistics import quantile_interval, rms_interval, wilson_interval
from bench.typing import Array

CONFIDENCE = 0.95
CELL = ["pipeline", "range_m", "turn_deg", "pitch_deg"]

# The bound holds in a cell where this share of the cases is tilted by so many bounds of the
# rotation or more, see `bench.solve.bounds`.
TILTED_SHARE, TILT_BOUNDS = 0.95, 2.0

BOUND_PREFIXES = ("bound", "allowed", "corner_bound")
# Parts of the rotation error as built, of which `picture` is what the first two leave.
PARTS = ("common", "own", "picture")
_PART_COLUMNS = [f"{part}_rot_{axis}_deg" for part in PARTS[:2] for axis in "xyz"]
_ROTATION = next(c for c in COMPONENTS if c.name == "rot")
BOUND_SCHEMA: dict[str, type[pl.DataType]] = {
    "outcome": pl.String,
    "tilt_true_deg": pl.Float64,
    **{
        statistic_name(prefix, c): pl.Float64
        for prefix in BOUND_PREFIXES
        for c in COMPONENTS
        if c is not _ROTATION
    },
}

# Columns of cases that cells are made from.
NEEDED = [
    "key",
    *CELL,
    "tilt_deg",
    "whole",
    "size_px",
    *(c.column for c in COMPONENTS),
    *BOUND_SCHEMA,
    "bay",
    *_PART_COLUMNS,
]

Row = dict[str, float | int | str | bool | None]


@dataclass(frozen=True, eq=False)
class CellCases:
    """The cases of one cell.

    Attributes
    ----------
    place : dict
        The columns that name the cell, and its tilt.
    n, n_cut : int
        Cases, and those whose pattern isn't wholly in the frame.
    counts : dict of str to int
        Cases by outcome.
    size_px : float
        Mean face-on size of the pattern.
    errors : dict of str to (n_ok,) float64
        Of the ok cases, by component, in order of their keys.
    bounds : polars.DataFrame
        Of all cases: outcome, true tilt and the bounds, variances summed over axes for rot.
    parts : dict of str to float or None
        Root mean square of each of `PARTS` of the rotation error, degrees, ok cases; None where
        all is as drawn.
    """

    place: Row
    n: int
    n_cut: int
    counts: dict[str, int]
    size_px: float
    errors: dict[str, Array]
    bounds: pl.DataFrame
    parts: dict[str, float | None]

    @property
    def n_ok(self) -> int:
        """Cases with a usable pose."""
        return self.counts["ok"]

    @property
    def identity(self) -> str:
        """What seeds the cell's resampling."""
        return "|".join(str(self.place[name]) for name in CELL)


def cells_of(cases: Cases) -> Iterator[CellCases]:
    """Iterate over the cells of a table of cases, in order within each of its pieces."""
    for piece in pieces_of(cases):
        yield from _cells_of_piece(_with_later(piece).select(NEEDED).collect())


def _with_later(piece: pl.LazyFrame) -> pl.LazyFrame:
    """Return a piece with columns that runs of earlier versions, all as drawn, don't have.

    As drawn the bay allows what the bound does.
    """
    there = set(piece.collect_schema().names())
    filled = piece.with_columns(
        pl.lit(None, pl.String if name == "bay" else pl.Float64).alias(name)
        for name in NEEDED
        if name not in there
    )
    return filled.with_columns(
        pl.coalesce(name, name.replace("allowed", "bound"))
        for name in BOUND_SCHEMA
        if name.startswith("allowed")
    )


def _cells_of_piece(cases: pl.DataFrame) -> Iterator[CellCases]:
    ok = pl.col("outcome") == "ok"
    grouped = (
        cases.sort("key")
        .group_by(CELL, maintain_order=True)
        .agg(
            pl.col("tilt_deg").first(),
            pl.len().alias("n"),
            pl.col("whole").not_().sum().alias("n_cut"),
            pl.col("size_px"),
            *((pl.col("outcome") == name).sum().alias(f"n_{name}") for name in OUTCOMES),
            *(pl.col(c.column).filter(ok).alias(c.name) for c in COMPONENTS),
            pl.struct("outcome", "tilt_true_deg", *_bound_names()).alias("bounds"),
            pl.col("bay").drop_nulls().n_unique().alias("bays"),
            pl.col("bay").count().alias("built"),
            *(_part_variance(part).filter(ok).mean().sqrt().alias(part) for part in PARTS),
        )
        .sort(CELL)
    )
    for row in grouped.iter_rows(named=True):
        _refuse_pooled(row)
        yield CellCases(
            place={name: row[name] for name in (*CELL, "tilt_deg")},
            n=row["n"],
            n_cut=row["n_cut"],
            counts={name: row[f"n_{name}"] for name in OUTCOMES},
            size_px=float(np.mean(row["size_px"])),
            errors={c.name: np.array(row[c.name], dtype=np.float64) for c in COMPONENTS},
            bounds=pl.DataFrame(row["bounds"], schema=BOUND_SCHEMA),
            parts={part: row[part] for part in PARTS},
        )


def _part_variance(part: str) -> pl.Expr:
    """Return the squared angle of one of `PARTS` of the rotation error."""
    columns = (
        pl.col(f"err_rot_{axis}_deg") - sum(pl.col(f"{p}_rot_{axis}_deg") for p in PARTS[:2])
        if part == "picture"
        else pl.col(f"{part}_rot_{axis}_deg")
        for axis in "xyz"
    )
    return sum((column**2 for column in columns), start=pl.lit(0.0))


def _refuse_pooled(row: Row) -> None:
    """Refuse a cell in which some bay has several pictures and it isn't the only one.

    Pictures of one bay share its errors: a rate over bays that takes them as independent says
    more than they know.
    """
    bays, built = row["bays"], row["built"]
    if bays not in (0, 1, built):
        raise RunError(
            f"{row['pipeline']} at {number(row['range_m'])} m, turn {number(row['turn_deg'])} "  # type: ignore[arg-type]
            f"deg: {built} pictures are of {bays} bays; several of one bay aren't independent "
            "and say nothing of bays like it together: keep one a bay, or one bay alone"
        )


def _bound_names() -> list[str]:
    return [name for name in BOUND_SCHEMA if name not in ("outcome", "tilt_true_deg")]


def summarise(cases: Cases) -> pl.DataFrame:
    """Return the table of cells (`bench.survey.columns.CELL_COLUMNS`) of a table of cases."""
    rows = [_summary(cell) for cell in cells_of(cases)]
    return pl.DataFrame(rows, schema=schema(CELL_COLUMNS)).sort(CELL)


def _summary(cell: CellCases) -> Row:
    seen = cell.n - cell.counts["missed"] - cell.counts["wrong_id"]
    row = cell.place | {"n": cell.n, "n_cut": cell.n_cut, "size_px": cell.size_px}
    row |= {f"n_{name}": count for name, count in cell.counts.items()}
    row |= _rate("detection_rate", seen, cell.n) | _rate("usable_rate", cell.n_ok, cell.n)
    for component in COMPONENTS:
        row |= _statistics(component, cell.errors[component.name])
    row |= {f"rms_{part}_rot_deg": value for part, value in cell.parts.items()}
    return row | _intervals(cell) | _bounds(cell)


def _bounds(cell: CellCases) -> Row:
    """Return bounds over all cases, efficiencies over ok ones, and whether the bound holds."""
    row: Row = {}
    ok = cell.bounds["outcome"] == "ok"
    variances = cell.bounds.select(_BOUND_VARIANCES)
    for prefix in BOUND_PREFIXES:
        for component in COMPONENTS:
            variance = variances[statistic_name(prefix, component)]
            row[statistic_name(prefix, component)] = _root_mean(variance)
            errors = cell.errors[component.name]
            best = _root_mean(variance.filter(ok))
            if prefix == "allowed" and best is not None and np.any(errors):
                row[f"efficiency_{component.name}"] = best / math.sqrt(np.mean(errors**2))
    rotation = variances[statistic_name("bound", _ROTATION)].sqrt()
    tilted = (cell.bounds["tilt_true_deg"] >= TILT_BOUNDS * rotation).mean()
    if tilted is not None:
        row["bound_holds"] = bool(float(tilted) >= TILTED_SHARE)  # type: ignore[arg-type]
    return row


def _bound_variance(prefix: str, component: Component) -> pl.Expr:
    if component is not _ROTATION:
        return pl.col(statistic_name(prefix, component)) ** 2
    x, y, z = (pl.col(f"{prefix}_rot_{axis}_deg") ** 2 for axis in "xyz")
    return x + y + z


# all of a cell's in one query: a query each would take most of the time of a small cell
_BOUND_VARIANCES = [
    _bound_variance(prefix, component).alias(statistic_name(prefix, component))
    for prefix in BOUND_PREFIXES
    for component in COMPONENTS
]


def _root_mean(variance: pl.Series) -> float | None:
    mean = variance.mean()
    return None if mean is None else math.sqrt(float(mean))  # type: ignore[arg-type]


def _rate(name: str, k: int, n: int) -> Row:
    low, high = wilson_interval(k, n, CONFIDENCE)
    return {name: k / n, f"{name}_lo": low, f"{name}_hi": high}


def _statistics(component: Component, errors: Array) -> Row:
    if len(errors) == 0:
        return {}
    size = np.abs(errors)
    found = {
        "bias": errors.mean(),
        "std": errors.std(ddof=1) if len(errors) > 1 else math.nan,
        "rms": math.sqrt(np.mean(errors**2)),
        "median": np.median(size),
        "p95": np.quantile(size, 0.95),
    }
    return {statistic_name(name, component): _null(value) for name, value in found.items()}


def _intervals(cell: CellCases) -> Row:
    by_name = {c.name: c for c in COMPONENTS}
    row: Row = {}
    for name in INTERVAL_COMPONENTS:
        low, high = rms_interval(cell.errors[name], CONFIDENCE, cell.identity)
        # a few wild errors among small ones can send the bootstrap's end beyond any rotation
        ends = (low, min(high, 180.0)) if name == "rot" else (low, high)
        row |= _ends(statistic_name("rms", by_name[name]), ends)
    rotation = np.abs(cell.errors["rot"])
    return row | _ends("p95_rot_deg", quantile_interval(rotation, 0.95, CONFIDENCE))


def _ends(name: str, ends: tuple[float, float]) -> Row:
    return {f"{name}_lo": _null(ends[0]), f"{name}_hi": _null(ends[1])}


def _null(value: float) -> float | None:
    """Return the value as a number, None where it isn't one; infinite bounds are kept."""
    return None if math.isnan(value) else float(value)
