"""Input of a report: a finished map's tables, and the bay that its pictures need."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any, get_type_hints

import polars as pl
from pydantic import TypeAdapter, ValidationError

from bench.assets import asset
from bench.envelope import Result
from bench.errors import BenchError, ConfigError, RunError
from bench.scene.load import load_bay
from bench.scene.model import Bay
from bench.survey.cells import CELL
from bench.survey.columns import CELL_COLUMNS, names, with_later
from bench.survey.limits import Limits
from bench.survey.pieces import Cases
from bench.survey.plan import WHEELS, Plan
from bench.survey.run_file import RUN_FILE, SurveyRun, read_run_file
from bench.survey.setup import find_tower, setting_of_plan
from bench.survey.store import CASES_FILE, PLAN_FILE, RunStore, open_cases
from bench.survey.tables import LIMITS_FILES, read_limits
from bench.survey.worker import Job

CELLS_FILE = "cells.parquet"
SHIPPED_BAY = "training-workshop.toml"


@dataclass(frozen=True, eq=False)
class MapRun:
    """A finished run of `sightbench map`.

    Attributes
    ----------
    directory : Path
        Where it is.
    cases : Cases
        Its table of cases, read piece by piece.
    cells : polars.DataFrame
        Its table of cells (`bench.survey.columns.CELL_COLUMNS`), with the verdicts on each.
    limits : Limits
        What it says about the tolerance that it was asked.
    plan : Plan
        What was run.
    run : Result
        run.json: bay, versions, machine, times.
    """

    directory: Path
    cases: Cases
    cells: pl.DataFrame
    limits: Limits
    plan: Plan
    run: Result[SurveyRun]

    @property
    def pipelines(self) -> tuple[str, ...]:
        """The pipelines in order of the plan."""
        return self.plan.pipelines


def read_map(directory: Path) -> MapRun:
    """Read a finished map.

    Raises
    ------
    RunError, ConfigError
        There is none, it is unfinished or of another command, or a file can't be read.
    """
    if not directory.exists():
        raise RunError(
            f"there is no run at {directory}; `sightbench map --out {directory}` makes one"
        )
    _refuse_others(directory)
    cases = open_cases(directory)
    for name in (CELLS_FILE, LIMITS_FILES[0], PLAN_FILE, RUN_FILE):
        if not (directory / name).exists():
            raise RunError(
                f"{directory} has {CASES_FILE} but no {name}; the `sightbench map` that made it "
                "writes it when it is given again"
            )
    plan = _plan_of(directory)
    limits = read_limits(directory)
    cells = _cells_of(directory / CELLS_FILE)
    verdicts = limits.cells.select(
        *CELL, "n_within", "success_rate", "success_low", "success_high", "verdict", "words"
    )
    joined = cells.join(verdicts, on=CELL, how="left", maintain_order="left")
    if joined["verdict"].null_count():
        raise RunError(f"{directory}: {LIMITS_FILES[0]} and {CELLS_FILE} are of different runs")
    planned = set(product(plan.pipelines, plan.ranges_m, plan.turns_deg, plan.pitches_deg))
    if set(cells.select(CELL).iter_rows()) != planned:
        raise RunError(f"{directory}: {PLAN_FILE} and {CELLS_FILE} are of different runs")
    return MapRun(directory, cases, joined, limits, plan, read_run_file(directory))


def _refuse_others(directory: Path) -> None:
    if directory.is_file():
        raise RunError(f"{directory} is a file; the directory of a finished map is needed")
    if (directory / "contour.json").exists() or "rule" in (
        RunStore(directory).stored_plan() or {}
    ):
        raise RunError(
            f"{directory} is a run of `sightbench contour`, which looks at part of the grid "
            "alone; a report needs a run of `sightbench map`"
        )
    if (directory / "choice.csv").exists():
        raise RunError(
            f"{directory} is a run of `sightbench choose`; its own choice.png compares the "
            "drawings. A report needs a run of `sightbench map`"
        )


def _plan_of(directory: Path) -> Plan:
    stored = RunStore(directory).stored_plan() or {}
    try:
        lists = ("ranges_m", "turns_deg", "pitches_deg", "pipelines")
        tuples: dict[str, Any] = {name: tuple(stored[name]) for name in lists}
        tuples["positions"] = tuple(
            p if p is None or p == WHEELS else tuple(p) for p in stored["positions"]
        )
        tuples["wheels"] = tuple(tuple(wheel) for wheel in stored.get("wheels", ()))
        tuples["versions"] = tuple(stored["versions"].items())
        values = stored | tuples
        for name, kind in get_type_hints(Plan).items():
            if name in values:  # the very types: a plan's own checks take them for granted
                TypeAdapter(kind).validate_python(values[name], strict=True)
        return Plan(**values)
    except ValidationError as error:
        said = f"{name}: {error.errors(include_url=False)[0]['msg']}"
        raise RunError(f"{directory / PLAN_FILE}: isn't a survey's plan: {said}") from error
    except (KeyError, TypeError, AttributeError, ValueError, ConfigError) as error:
        raise RunError(f"{directory / PLAN_FILE}: isn't a survey's plan: {error}") from error


def _cells_of(path: Path) -> pl.DataFrame:
    try:
        cells = with_later(pl.read_parquet(path.read_bytes()))
    except (OSError, pl.exceptions.PolarsError) as error:
        raise RunError(f"{path}: can't be read: {str(error).splitlines()[0]}") from error
    missing = [name for name in names(CELL_COLUMNS) if name not in cells.columns]
    if missing:
        raise RunError(f"{path}: isn't a table of cells: it lacks {', '.join(missing)}")
    if cells.is_empty():
        raise RunError(f"{path}: has no cells")
    return cells


def find_bay(run: MapRun, given: Path | None) -> Bay:
    """Return the bay whose camera and target made a run's pictures.

    The file that is given; else one of the name that run.json has, where the command of the run
    found it or in the directory of the run or here; else the bay that ships.

    Raises
    ------
    ConfigError
        None of them is the run's: another camera, light or target.
    """
    if given is not None:
        bay = load_bay(given)
        differing = _differing(run.plan, bay)
        if differing:
            raise ConfigError(
                f"{given}: its {' and '.join(differing)} aren't those of {run.directory}, whose "
                "pictures would come out otherwise"
            )
        return bay
    for path in _candidates(run):
        try:
            bay = load_bay(path)
        except BenchError:
            continue
        if not _differing(run.plan, bay):
            return bay
    named = "the bay file" if run.run.bay is None else run.run.bay.file
    raise ConfigError(
        f"{run.directory}: its pictures need the bay file that it was made with ({named}), as it "
        "was then; name it by --bay, or do without pictures by --no-pictures"
    )


def _candidates(run: MapRun) -> Iterator[Path]:
    name = SHIPPED_BAY if run.run.bay is None else run.run.bay.file
    for start in run.run.value.starts:
        for word in shlex.split(str(start.get("command", ""))):
            if Path(word).name == name and Path(word).is_file():
                yield Path(word)
    for place in (run.directory, run.directory.parent, Path()):
        if (place / name).is_file():
            yield place / name
    yield asset(SHIPPED_BAY)


def job_of_run(run: MapRun, bay: Bay) -> Job:
    """Return the job that renders a run's pictures again."""
    tower = find_tower(bay, run.plan.tower)
    return Job(run.plan, setting_of_plan(bay, tower, run.plan))


def _differing(plan: Plan, bay: Bay) -> list[str]:
    """Return what of a bay isn't what the plan's pictures were made from."""
    try:
        tower = find_tower(bay, plan.tower)
    except ConfigError:
        return ["towers"]
    digests = setting_of_plan(bay, tower, plan).digests()
    return [name for name, digest in digests.items() if getattr(plan, name) != digest]
