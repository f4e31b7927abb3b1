"""How far a surveyed pipeline stays behind its bound, by range and tilt, from a finished map."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import polars as pl

from bench.errors import ConfigError, RunError
from bench.sighting.ratio_grid import RatioGrid, ratio_grid

CELLS_FILE = "cells.parquet"
Bound = Literal["corner", "image"]
# Of bounds as the cells' columns call them.
PREFIX: dict[Bound, str] = {"corner": "corner_bound", "image": "bound"}
# RMS over bound of: the rotation, the place along the line of sight, and across it.
KINDS = ("rot_deg", "along_mm", "right_mm")


@dataclass(frozen=True, eq=False)
class MapRatio:
    """RMS error over bound of one pipeline, on the grid of a map.

    Attributes
    ----------
    grid : RatioGrid
        The ratios.
    source : str
        The run's directory.
    pipeline : str
        Detector/solver.
    bound : {"corner", "image"}
        What the error was divided by.
    n : int
        Least number of cases behind a measured cell.
    """

    grid: RatioGrid
    source: str
    pipeline: str
    bound: Bound
    n: int


def read_map_ratio(directory: Path, pipeline: str, bound: Bound) -> MapRatio:
    """Read what a run of `sightbench map` says of a pipeline.

    Raises
    ------
    RunError
        There is no table of cells, or it can't be read.
    ConfigError
        It hasn't the pipeline, too few ranges or tilts, or no cell with an error and a bound.
    """
    path = directory / CELLS_FILE
    prefix = PREFIX[bound]
    columns = [f"{statistic}_{kind}" for statistic in ("rms", prefix) for kind in KINDS]
    try:
        cells = pl.read_parquet(path)
        cells = cells.select(
            "pipeline", "range_m", "tilt_deg", "n", "n_ok", "bound_holds", *columns
        )
    except (OSError, pl.exceptions.PolarsError) as error:
        line = str(error).splitlines()[0]
        raise RunError(f"{path}: can't be read as a map's cells: {line}") from error
    there = cells["pipeline"].unique(maintain_order=True).to_list()
    if pipeline not in there:
        raise ConfigError(
            f"{path}: the map has no pipeline {pipeline!r}; it has {', '.join(map(str, there))}"
        )
    found = cells.filter(pl.col("pipeline") == pipeline)
    usable = (pl.col("n_ok") * 2 >= pl.col("n")) & pl.col("bound_holds").fill_null(False)
    # turns to either side, and pairs of turn and pitch, can have one tilt
    merged = (
        found.with_columns(pl.col("tilt_deg").round(6), usable.alias("usable"))
        .group_by("range_m", "tilt_deg")
        .agg(
            pl.col("usable").all(),
            pl.col("n").sum(),
            *((pl.col(column) ** 2).mean().sqrt() for column in columns),
        )
        .sort("range_m", "tilt_deg")
    )
    ranges = np.unique(merged["range_m"].to_numpy())
    tilts = np.unique(merged["tilt_deg"].to_numpy())
    if len(ranges) < 2 or len(tilts) < 2 or merged.height != len(ranges) * len(tilts):
        raise ConfigError(
            f"{path}: it takes a map of two ranges and two tilts or more, all pairs of them"
        )
    shape = (len(ranges), len(tilts))
    ratios = np.stack(
        [
            (merged[f"rms_{kind}"] / merged[f"{prefix}_{kind}"]).to_numpy().reshape(shape)
            for kind in KINDS
        ],
        axis=-1,
    )
    measured = merged["usable"].to_numpy().reshape(shape) & np.all(np.isfinite(ratios), axis=-1)
    if not np.any(measured):
        raise ConfigError(f"{path}: no cell of {pipeline} has an error and a bound that holds")
    return MapRatio(
        ratio_grid(ranges.astype(np.float64), np.radians(tilts), ratios, measured),
        str(directory),
        pipeline,
        bound,
        int(merged["n"].to_numpy().reshape(shape)[measured].min()),
    )
