"""Errors of plates that hang along the pixel grid, against those of all rolls.

A cell's rolls are spread, so that edges of a target cross many pixel rows. Plates hang at roll 0,
where an edge may lie along one row from end to end: what a detector gets wrong by a place within
a pixel then repeats along the edge instead of averaging. The pictures in which a pattern's edge
crosses no more than one row are few in a cell and enough in a survey.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import polars as pl

from bench.survey.cells import CELL
from bench.survey.pieces import Cases, pieces_of
from bench.survey.statistics import MIN_BOOTSTRAP, rms_bounds
from bench.tables import finite_or_none

CONFIDENCE = 0.99  # a warning of one pipeline in a hundred is false
MOST_ROWS = 1.0  # pixel rows that an edge as long as the pattern crosses
WORSE, NOT_WORSE, UNKNOWN = "worse", "not worse", "unknown"

PHASE_SCHEMA: dict[str, type[pl.DataType]] = {
    "pipeline": pl.String,
    "n": pl.Int64,  # pictures whose edges lie along the grid
    "n_within": pl.Int64,  # of them, usable and within tolerance
    "rate_of_cells": pl.Float64,  # of such successes among all pictures of the same cells
    "rms_ratio": pl.Float64,  # their rotation error over the RMS of their cells
    "rms_ratio_low": pl.Float64,  # one-sided 99 % bounds
    "rms_ratio_high": pl.Float64,
    "verdict": pl.String,  # worse, not worse or unknown
}

_COLUMNS = (*CELL, "outcome", "err_rot_deg", "roll_true_deg", "size_px")


def grid_phase(cases: Cases, within_deg: float) -> pl.DataFrame:
    """Return a row a pipeline (`PHASE_SCHEMA`), over all cells."""
    ok = pl.col("outcome") == "ok"
    rows = pl.col("roll_true_deg").radians().tan().abs() * pl.col("size_px")
    rms = pl.col("err_rot_deg").filter(ok).pow(2).mean().sqrt().over(CELL)
    names: set[str] = set()
    found = []
    for piece in pieces_of(cases):
        whole = (
            piece.select(_COLUMNS)
            .with_columns(
                along=(rows <= MOST_ROWS).fill_null(False),
                within=(ok & (pl.col("err_rot_deg").abs() <= within_deg)).fill_null(False),
                ratio=pl.when(ok & (rms > 0.0)).then(pl.col("err_rot_deg") / rms),
            )
            .with_columns(rate=pl.col("within").mean().over(CELL))
            .collect()
        )
        names |= set(whole["pipeline"])
        found.append(whole.filter("along"))
    table = pl.concat(found).sort(CELL, maintain_order=True)
    found_rows = [_row(name, table.filter(pl.col("pipeline") == name)) for name in sorted(names)]
    return pl.DataFrame(found_rows, schema=PHASE_SCHEMA)


def _row(pipeline: str, along: pl.DataFrame) -> dict[str, object]:
    """Return the row of a pipeline's pictures whose edges lie along the grid."""
    ratios = along["ratio"].drop_nulls().to_numpy()
    value = math.sqrt(float(np.mean(ratios**2))) if len(ratios) else math.nan
    low, high = rms_bounds(ratios, CONFIDENCE, f"grid phase|{pipeline}")
    verdict = UNKNOWN if len(ratios) < MIN_BOOTSTRAP else WORSE if low > 1.0 else NOT_WORSE
    return {
        "pipeline": pipeline,
        "n": len(along),
        "n_within": int(along["within"].sum()),
        "rate_of_cells": along["rate"].mean(),
        "rms_ratio": finite_or_none(value),
        "rms_ratio_low": finite_or_none(low),
        "rms_ratio_high": finite_or_none(high),
        "verdict": verdict,
    }


def roll_words(roll_deg: float, spread_deg: float) -> str:
    """Say over which rolls a survey's pictures are spread."""
    if spread_deg == 0.0:
        return f"every plate at roll {roll_deg:g} deg"
    about = f" about {roll_deg:g} deg" if roll_deg else ""
    return f"rolls spread by ±{spread_deg:g} deg{about}"


def phase_lines(phase: pl.DataFrame) -> Iterator[str]:
    """Yield a line for each pipeline that errs more on plates that hang along the pixel grid."""
    for row in phase.filter(pl.col("verdict") == WORSE).iter_rows(named=True):
        share, of_cells = row["n_within"] / row["n"], row["rate_of_cells"]
        yield (
            f"warning: {row['pipeline']} errs {row['rms_ratio']:.2g} times as much (at least "
            f"{row['rms_ratio_low']:.2g}) where a plate hangs along the pixel rows, as at roll 0: "
            f"{100.0 * share:.3g} % of {row['n']} such pictures are within tolerance, "
            f"{100.0 * of_cells:.3g} % of all in their cells. Limits hold for the spread of "
            'rolls; --roll-spread "0 deg" maps a plate that hangs straight.'
        )
