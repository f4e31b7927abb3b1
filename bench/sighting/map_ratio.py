"""Ratios of a surveyed pipeline to its bound, by range and tilt, from a finished map."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

from bench.defaults import Bound
from bench.digest import content_digest
from bench.errors import ConfigError, RunError
from bench.scene.model import Bay, Tower
from bench.sighting.ratio_grid import RatioGrid, ratio_grid
from bench.survey.columns import with_later
from bench.survey.run_file import read_run_file
from bench.survey.setting import PARTS, Setting

CELLS_FILE = "cells.parquet"
# Of bounds as the cells' columns call them.
PREFIX: dict[Bound, str] = {"corner": "corner_bound", "image": "bound"}
# Between the towers of a bay that one map serves: each lens is within 1 % of its name (data
# sheets, from memory), which moves apparent sizes, and so ratios, by as little.
MOST_FOCAL_DIFFERENCE = 0.02
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
    parts : mapping of str to str
        Digests of the camera, imaging and target that the map was made with.
    tower, camera : str
        Whose camera that is, and what it is in words.
    """

    grid: RatioGrid
    source: str
    pipeline: str
    bound: Bound
    n: int
    parts: Mapping[str, str] = field(default_factory=dict)
    tower: str = ""
    camera: str = ""


def unlike(ratio: MapRatio, bay: Bay) -> tuple[str, ...]:
    """Return what of a bay isn't what a map was made with, in words; nothing where it serves.

    The tower that the map looked through must have its very camera and imaging. The other one
    may be calibrated apart, as towers are: the ratio of error to bound knows its lens and
    sensor, not its principal point.
    """
    own = next((t for t in bay.towers if t.name == ratio.tower), bay.towers[0])
    digests = Setting(own.camera, own.imaging, bay.target).digests()
    found = [
        f"{name} ({_words(name, own, bay)}; the map's: {ratio.camera})"
        if name == "camera"
        else f"{name} ({_words(name, own, bay)})"
        for name in PARTS
        if ratio.parts[name] != digests[name]
    ]
    for tower in bay.towers:
        same = (tower.camera.width, tower.camera.height) == (own.camera.width, own.camera.height)
        near = abs(tower.camera.fx / own.camera.fx - 1.0) <= MOST_FOCAL_DIFFERENCE
        if not (same and near and content_digest(tower.imaging) == digests["imaging"]):
            found.append(f"camera or imaging of the {tower.name} tower")
    return tuple(found)


def _words(name: str, tower: Tower, bay: Bay) -> str:
    if name == "target":
        return f"this bay's: {bay.target.name}"
    if name == "camera":
        camera = tower.camera
        return f"this bay's: {camera.width} × {camera.height} px, f = {camera.fx:.0f} px"
    return "light, lens blur or sensor"


def _of_pictures(cells: pl.DataFrame) -> pl.DataFrame:
    """Return cells whose RMS errors are without what the bay's own imperfections add.

    That is known to first order, and whoever predicts adds it of the bay at hand. At least the
    bound is left: sampling can take off more than there is.
    """
    built = pl.col("rms_picture_rot_deg").is_not_null()

    def rest(kind: str) -> pl.Expr:
        bound = pl.col(f"bound_{kind}") ** 2
        own = pl.col(f"allowed_{kind}") ** 2 - bound
        return pl.max_horizontal(pl.col(f"rms_{kind}") ** 2 - own, bound).sqrt()

    return cells.with_columns(
        pl.when(built)
        .then(pl.col("rms_picture_rot_deg") if kind == "rot_deg" else rest(kind))
        .otherwise(pl.col(f"rms_{kind}"))
        .alias(f"rms_{kind}")
        for kind in KINDS
    )


def read_map_ratio(directory: Path, pipeline: str, bound: Bound) -> MapRatio:
    """Read what a run of `sightbench map` says of a pipeline.

    Raises
    ------
    RunError
        There is no table of cells, or it can't be read.
    ConfigError
        It doesn't say what it was made with, hasn't the pipeline, too few ranges or tilts, or no
        cell with an error and a bound.
    """
    path = directory / CELLS_FILE
    prefix = PREFIX[bound]
    columns = [f"{statistic}_{kind}" for statistic in ("rms", prefix) for kind in KINDS]
    try:
        cells = _of_pictures(with_later(pl.read_parquet(path)))
        cells = cells.select(
            "pipeline", "range_m", "tilt_deg", "n", "n_ok", "bound_holds", *columns
        )
    except (OSError, pl.exceptions.PolarsError) as error:
        line = str(error).splitlines()[0]
        raise RunError(f"{path}: can't be read as a map's cells: {line}") from error
    run = read_run_file(directory)
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
        {name: str(run.value.plan.get(name)) for name in PARTS},
        str(run.value.plan.get("tower")),
        run.value.camera,
    )
