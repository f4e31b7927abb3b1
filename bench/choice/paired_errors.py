"""Ratios of errors of two drawings or pipelines that saw the same views."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain

import numpy as np
import polars as pl
from scipy.special import ndtri

CONFIDENCE = 0.95


@dataclass(frozen=True)
class PairedErrorRatio:
    """One rotation error over another: geometric mean over cells, and its interval.

    The interval is two-sided at `CONFIDENCE`; `n` pictures in `cells` cells.
    """

    value: float
    low: float
    high: float
    n: int
    cells: int


def paired_error_ratio(
    tables: Iterable[tuple[pl.DataFrame, pl.DataFrame]],
) -> PairedErrorRatio | None:
    """Return the RMS rotation error of some tables' cases over that of the others'.

    Pictures are paired by key, and only those that both solved count, in cells that both have.
    With the mean squares M_a and M_b of a cell's n pairs, log(M_a / M_b) has by the delta
    method the variance var(e_a² / M_a - e_b² / M_b) / n, which the pairing makes small; the
    logarithms of the cells are averaged.

    Parameters
    ----------
    tables : iterable of (polars.DataFrame, polars.DataFrame)
        Cases of one pipeline and those of the other, in as many pairs as suit memory: the rows
        of a cell in one pair. Columns as in `bench.survey.columns`.

    Returns
    -------
    PairedErrorRatio or None
        None where no cell has two such pictures with an error each.
    """
    logs, variances, n = [], [], 0
    for cell in chain.from_iterable(_paired_cells(*pair) for pair in tables):
        square_a, square_b = (cell[name].to_numpy() ** 2 for name in ("error", "error_b"))
        mean_a, mean_b = square_a.mean(), square_b.mean()
        if len(cell) < 2 or not (mean_a > 0.0 and mean_b > 0.0):
            continue
        logs.append(0.5 * math.log(mean_a / mean_b))
        influence = 0.5 * (square_a / mean_a - square_b / mean_b)
        variances.append(float(np.var(influence, ddof=1)) / len(cell))
        n += len(cell)
    if not logs:
        return None
    middle = float(np.mean(logs))
    reach = float(ndtri(0.5 * (1.0 + CONFIDENCE))) * math.sqrt(sum(variances)) / len(logs)
    low, high = math.exp(middle - reach), math.exp(middle + reach)
    return PairedErrorRatio(math.exp(middle), low, high, n, len(logs))


def _paired_cells(cases_a: pl.DataFrame, cases_b: pl.DataFrame) -> Iterator[pl.DataFrame]:
    pairs = _solved(cases_a).join(_solved(cases_b), on="key", suffix="_b", maintain_order="left")
    for _, cell in pairs.group_by("range_m", "turn_deg", "pitch_deg", maintain_order=True):
        yield cell


def _solved(cases: pl.DataFrame) -> pl.DataFrame:
    return (
        cases.filter(pl.col("outcome") == "ok")
        .select("key", "range_m", "turn_deg", "pitch_deg", pl.col("err_rot_deg").alias("error"))
        .sort("key")
    )
