"""Sample cases of a cell: a typical one and the worst."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

from bench.survey.cells import CELL
from bench.survey.columns import COMPONENTS
from bench.survey.pieces import Cases, pieces_of

# Of failures the worst first: nothing seen, somebody else's target, a pose that deceives, ...
FAILURES = ("missed", "wrong_id", "mirrored", "not_finite", "unexplained", "ambiguous")
NEEDED = [
    "key",
    *CELL,
    "position",
    "trial",
    "outcome",
    "n_points",
    "rmse_px",
    "turn_true_deg",
    "pitch_true_deg",
    "roll_true_deg",
    "range_true_m",
    *(c.column for c in COMPONENTS),
]
Row = dict[str, Any]
Place = tuple[str, float, float, float]


@dataclass(frozen=True)
class Sample:
    """The cases that stand for a cell; typical is None where no case is ok.

    Attributes
    ----------
    typical : dict or None
        The ok case whose rotation error is nearest to the cell's median.
    worst : dict
        A failure where there is one, else the case with the largest rotation error.
    """

    typical: Row | None
    worst: Row


def choose_samples(cases: Cases) -> dict[Place, Sample]:
    """Return the sample of every cell, by pipeline, range, turn and pitch.

    Equal candidates are told apart by their keys, so that the choice depends on the cases alone.
    """
    found: dict[Place, Sample] = {}
    for piece in pieces_of(cases):
        rows = piece.select(NEEDED).collect()
        for place, cell in rows.sort(*CELL, "key").group_by(CELL, maintain_order=True):
            pipeline, range_m, turn_deg, pitch_deg = place
            found[str(pipeline), float(range_m), float(turn_deg), float(pitch_deg)] = sample_of(
                cell
            )
    return found


def sample_of(cell: pl.DataFrame) -> Sample:
    """Return the sample of one cell's cases."""
    ok = cell.filter(pl.col("outcome") == "ok")
    typical = None
    if not ok.is_empty():
        middle = ok["err_rot_deg"].median()
        by_distance = ok.with_columns(distance=(pl.col("err_rot_deg") - middle).abs())
        typical = by_distance.sort("distance", "key").drop("distance").row(0, named=True)
    for outcome in FAILURES:
        failed = cell.filter(pl.col("outcome") == outcome)
        if not failed.is_empty():
            return Sample(typical, failed.sort("key").row(0, named=True))
    worst = ok.sort("err_rot_deg", "key", descending=[True, False]).row(0, named=True)
    return Sample(typical, worst)
