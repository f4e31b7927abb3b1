"""The tables that follow from cases: cells, limits and their files."""

from __future__ import annotations

import dataclasses
import io
import json
import math
from pathlib import Path
from typing import Any

import polars as pl

from bench.files import write_atomically
from bench.survey.limits import Limits

LIMITS_FILES = ("limits.json", "limits.csv", "tilt_bands.csv")


def write_table(
    directory: Path, name: str, table: pl.DataFrame, decimals: int | None = None
) -> list[Path]:
    """Write ``NAME.parquet``, and ``NAME.csv`` with numbers rounded to `decimals`; return both.

    Raises
    ------
    RunError
        A file can't be written.
    """
    parquet, csv = directory / f"{name}.parquet", directory / f"{name}.csv"
    buffer = io.BytesIO()
    table.write_parquet(buffer)
    write_atomically(parquet, buffer.getvalue())
    write_atomically(csv, table.write_csv(float_precision=decimals).encode())
    return [parquet, csv]


def write_cells(directory: Path, cells: pl.DataFrame) -> list[Path]:
    """Write the table of cells, see `write_table`."""
    return write_table(directory, "cells", cells)


def write_limits(directory: Path, limits: Limits) -> list[Path]:
    """Write what a survey says about a tolerance; return the files.

    ``limits.json`` has the question, every limit, band and cell; ``limits.csv`` the longest
    range for each tilt; ``tilt_bands.csv`` the tilts that hold at each range.

    Raises
    ------
    RunError
        A file can't be written.
    """
    summary, ranges, bands = (directory / name for name in LIMITS_FILES)
    content = {
        "asked": dataclasses.asdict(limits.request),
        "verdict": limits.verdict,
        "ranges": _rows(limits.ranges),
        "bands": _rows(limits.bands),
        "cells": _rows(limits.cells),
    }
    write_atomically(
        summary, json.dumps(content, indent=1, allow_nan=False, ensure_ascii=False).encode()
    )
    write_atomically(ranges, limits.ranges.write_csv().encode())
    write_atomically(bands, limits.bands.write_csv().encode())
    return [summary, ranges, bands]


def _rows(table: pl.DataFrame) -> list[dict[str, Any]]:
    # JSON knows no infinity: a bound that doesn't exist is null
    return [
        {
            name: None if isinstance(value, float) and not math.isfinite(value) else value
            for name, value in row.items()
        }
        for row in table.iter_rows(named=True)
    ]
