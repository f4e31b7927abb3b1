"""From cases to cells: rates with Wilson intervals, errors with their statistics.

Errors are summarised over ok cases alone; how many were not ok, and why, stands beside them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import polars as pl

from bench.survey.columns import (
    CELL_COLUMNS,
    COMPONENTS,
    INTERVAL_COMPONENTS,
    OUTCOMES,
    names,
    schema,
    statistic_name,
)
from bench.survey.statistics import quantile_interval, rms_interval, wilson_interval
from bench.typing import Array

CONFIDENCE = 0.95
CELL = ["pipeline", "range_m", "turn_deg", "pitch_deg"]


def summarise(cases: pl.DataFrame) -> pl.DataFrame:
    """Return the table of cells (`bench.survey.columns.CELL_COLUMNS`) of a table of cases."""
    cells = cases.group_by(CELL).agg(*_counts(), *_statistics()).sort(CELL)
    rates = pl.DataFrame(
        [
            {
                **_rate("detection_rate", n - missed - wrong, n),
                **_rate("usable_rate", ok, n),
            }
            for n, ok, missed, wrong in cells.select(
                "n", "n_ok", "n_missed", "n_wrong_id"
            ).iter_rows()
        ]
    )
    intervals = pl.DataFrame(
        [_intervals(identity, errors) for identity, errors in cell_errors(cases)],
        schema={
            name: pl.Float64
            for name in names(CELL_COLUMNS)
            if name.endswith(("_lo", "_hi")) and "_rate_" not in name
        },
    )
    whole = pl.concat((cells, rates, intervals), how="horizontal")
    return whole.select(names(CELL_COLUMNS)).cast(schema(CELL_COLUMNS))


def cell_errors(cases: pl.DataFrame) -> Iterator[tuple[str, dict[str, Array]]]:
    """Iterate over cells in order: identity, and the ok cases' errors by component name.

    Errors come in order of their keys, so that resampling them doesn't depend on how the
    table was made.
    """
    ok = pl.col("outcome") == "ok"
    wanted = [c for c in COMPONENTS if c.name in INTERVAL_COMPONENTS]
    grouped = (
        cases.sort("key")
        .group_by(CELL, maintain_order=True)
        .agg(pl.col(c.column).filter(ok).alias(c.name) for c in wanted)
        .sort(CELL)
    )
    for row in grouped.iter_rows(named=True):
        identity = "|".join(str(row[name]) for name in CELL)
        yield identity, {c.name: np.array(row[c.name], dtype=np.float64) for c in wanted}


def _counts() -> list[pl.Expr]:
    return [
        pl.col("tilt_deg").first(),
        pl.col("size_px").mean(),
        pl.len().cast(pl.Int64).alias("n"),
        pl.col("whole").not_().sum().alias("n_cut"),
        *((pl.col("outcome") == name).sum().alias(f"n_{name}") for name in OUTCOMES),
    ]


def _statistics() -> list[pl.Expr]:
    found = []
    for component in COMPONENTS:
        error = pl.col(component.column).filter(pl.col("outcome") == "ok")
        found += [
            expression.alias(statistic_name(statistic, component))
            for statistic, expression in (
                ("bias", error.mean()),
                ("std", error.std(ddof=1)),
                ("rms", error.pow(2).mean().sqrt()),
                ("median", error.abs().median()),
                ("p95", error.abs().quantile(0.95, interpolation="linear")),
            )
        ]
    return found


def _rate(name: str, k: int, n: int) -> dict[str, float]:
    low, high = wilson_interval(k, n, CONFIDENCE)
    return {name: k / n, f"{name}_lo": low, f"{name}_hi": high}


def _intervals(identity: str, errors: dict[str, Array]) -> dict[str, float | None]:
    rot, along = errors["rot"], errors["along"]
    ends = {
        "rms_rot_deg": rms_interval(rot, CONFIDENCE, identity),
        "p95_rot_deg": quantile_interval(np.abs(rot), 0.95, CONFIDENCE),
        "rms_along_mm": rms_interval(along, CONFIDENCE, identity),
    }
    return {
        f"{name}_{end}": None if math.isnan(value) else value
        for name, pair in ends.items()
        for end, value in zip(("lo", "hi"), pair, strict=True)
    }
