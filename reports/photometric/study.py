"""What the study found, as tables."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True, eq=False)
class Study:
    """The tables that the report is written from.

    Attributes
    ----------
    cells : polars.DataFrame
        Of `reports.photometric.tables.cell_table`.
    mirrored : polars.DataFrame
        Of `bench.survey.ambiguity.with_predictions`.
    n, few, seed : int
        Cases a cell of the main study and of the mirrored poses'; of all random numbers.
    started : str
        When.
    """

    cells: pl.DataFrame
    mirrored: pl.DataFrame
    n: int
    few: int
    seed: int
    started: str
