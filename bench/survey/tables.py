"""The tables that follow from cases: cells, limits and their files."""

from __future__ import annotations

import dataclasses
import io
import math
from pathlib import Path
from typing import Any

import polars as pl

from bench.envelope import Kind, Origin, read_result, write_result
from bench.errors import ConfigError
from bench.files import write_atomically
from bench.strict import Section
from bench.survey.grid_phase import PHASE_SCHEMA
from bench.survey.limits import BAND_SCHEMA, RANGE_SCHEMA, Limits
from bench.survey.verdicts import VERDICT_SCHEMA, Request

LIMITS_FILES = ("limits.json", "limits.csv", "tilt_bands.csv")


class LimitsValue(Section):
    """The question, and what follows for every range, tilt and cell."""

    asked: dict[str, Any]
    rolls: str
    verdict: str
    ranges: list[dict[str, Any]]
    bands: list[dict[str, Any]]
    cells: list[dict[str, Any]]
    phase: list[dict[str, Any]]


# Schema 1 asked for an RMS and a rate of usable poses, each by itself.
LIMITS = Kind("limits", LIMITS_FILES[0], "limits RUN --out RUN", LimitsValue, 2)


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


def write_limits(directory: Path, limits: Limits, origin: Origin) -> list[Path]:
    """Write what a survey says about a tolerance; return the files.

    ``limits.json`` has the question, every limit, band and cell; ``limits.csv`` the longest
    range for each tilt; ``tilt_bands.csv`` the tilts that hold at each range.

    Raises
    ------
    RunError
        A file can't be written.
    """
    summary, ranges, bands = (directory / name for name in LIMITS_FILES)
    value = {
        "asked": dataclasses.asdict(limits.request),
        "rolls": limits.rolls,
        "verdict": limits.verdict,
        "ranges": _rows(limits.ranges),
        "bands": _rows(limits.bands),
        "cells": _rows(limits.cells),
        "phase": _rows(limits.phase),
    }
    write_result(summary, LIMITS, value, origin)
    write_atomically(ranges, limits.ranges.write_csv().encode())
    write_atomically(bands, limits.bands.write_csv().encode())
    return [summary, ranges, bands]


def read_limits(directory: Path) -> Limits:
    """Return the limits that a finished survey wrote.

    Raises
    ------
    ConfigError
        There are none, or the file is damaged.
    """
    path = directory / LIMITS_FILES[0]
    value = read_result(path, LIMITS).value
    try:
        request = Request(**value.asked)
        cells, ranges, bands, phase = (
            pl.DataFrame(rows, schema=schema)
            for rows, schema in (
                (value.cells, VERDICT_SCHEMA),
                (value.ranges, RANGE_SCHEMA),
                (value.bands, BAND_SCHEMA),
                (value.phase, PHASE_SCHEMA),
            )
        )
    except (TypeError, ValueError, ConfigError, pl.exceptions.PolarsError) as error:
        line = (str(error).splitlines() or [""])[0]
        raise ConfigError(f"{path}: can't be read as a survey's limits: {line}") from error
    return Limits(request, cells, ranges, bands, phase, value.rolls)


def _rows(table: pl.DataFrame) -> list[dict[str, Any]]:
    # JSON knows no infinity: a bound that doesn't exist is null
    return [
        {
            name: None if isinstance(value, float) and not math.isfinite(value) else value
            for name, value in row.items()
        }
        for row in table.iter_rows(named=True)
    ]
