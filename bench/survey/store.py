"""A run's directory: finished chunks as parts, then the final tables; never a half-written file.

Everything is written beside its place, forced to disk and renamed. A part's name holds a
digest of its content, so a damaged one is known and done again.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from bench.errors import RunError
from bench.files import make_directory, new_file, write_atomically
from bench.survey.columns import CASE_COLUMNS, TIMING_COLUMNS, names
from bench.survey.plan import Plan, differences
from bench.survey.worker import INDEX, PART_SCHEMA, ChunkResult
from bench.typing import BoolArray

PLAN_FILE = "plan.json"
CASES_FILE = "cases.parquet"
TIMINGS_FILE = "timings.parquet"
PARTS = "parts"
ORDER = ["key", "pipeline"]


@dataclass(frozen=True)
class RunStore:
    """The directory of one run.

    Attributes
    ----------
    directory : Path
        Its place.
    rule : dict or None
        What picks some of a plan's cases; None runs them all. A directory is one rule's.
    """

    directory: Path
    rule: dict[str, Any] | None = None

    def begin(self, plan: Plan) -> None:
        """Make the directory this plan's, or check that it already is.

        Raises
        ------
        RunError
            It holds a run of another plan, or something that isn't a run. Nothing in it is
            touched.
        """
        stored, asked = self.stored_plan(), plan.as_dict()
        if self.rule is not None:
            asked["rule"] = self.rule
        if stored is not None:
            found = differences(stored, asked)
            if found:
                raise RunError(
                    f"{self.directory} holds a run of another plan: {'; '.join(found)}; "
                    "nothing in it was changed, choose another --out"
                )
            return
        if (self.directory / CASES_FILE).exists() or (self.directory / PARTS).exists():
            raise RunError(
                f"{self.directory} holds results without their {PLAN_FILE}; nothing in it was "
                "changed, choose another --out"
            )
        make_directory(self.directory / PARTS)
        text = json.dumps(asked, indent=2, ensure_ascii=False)
        write_atomically(self.directory / PLAN_FILE, text.encode())

    def stored_plan(self) -> dict[str, Any] | None:
        """Return the plan that the directory holds, or None.

        Raises
        ------
        RunError
            The file of the plan can't be read.
        """
        path = self.directory / PLAN_FILE
        if not path.exists():
            return None
        try:
            plan = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise RunError(f"{path}: can't be read as a plan: {error}") from error
        if not isinstance(plan, dict):
            raise RunError(f"{path}: can't be read as a plan: not a table of values")
        return plan

    def done(self, plan: Plan) -> BoolArray:
        """Return which cases (n_pictures,) are in whole parts; damaged parts are removed."""
        done = np.zeros(plan.n_pictures, dtype=np.bool_)
        if self.is_complete(plan):
            done[:] = True
            return done
        for path in self._parts():
            indices = _read_part(path)
            if indices is None:
                path.unlink()
            else:
                done[indices] = True
        return done

    def is_complete(self, plan: Plan) -> bool:
        """Tell whether the final tables are there and have every row that is to be run."""
        try:
            heights = [
                pl.read_parquet(self.directory / name, columns=ORDER).height
                for name in (CASES_FILE, TIMINGS_FILE)
            ]
        except (OSError, pl.exceptions.PolarsError):
            return False
        if self.rule is not None:  # which rows these are, only the run itself can tell
            return heights[0] == heights[1] > 0
        return heights == [plan.n_rows, plan.n_rows]

    def append(self, result: ChunkResult) -> None:
        """Keep a finished chunk.

        Raises
        ------
        RunError
            It can't be written; all parts before it are kept.
        """
        name = f"{result.indices[0]:09d}-{_digest(result.part)}.parquet"
        write_atomically(self.directory / PARTS / name, result.part)

    def finish(self, plan: Plan) -> None:
        """Join the parts into the final tables, sorted by key and pipeline; then remove them.

        The tables are sorted and written as a stream, so that memory doesn't set their size.

        Raises
        ------
        RunError
            They can't be written, or a part is missing; the parts are kept.
        """
        parts = self._parts()
        if not parts:
            return
        rows = self.rows()
        if self.rule is not None or rows.select(pl.len()).collect().item() > plan.n_rows:
            # two runs at once did a case twice; equal keys have equal numbers, so either will do
            rows = rows.unique(ORDER, keep="any")
        if self.rule is None and rows.select(pl.len()).collect().item() != plan.n_rows:
            raise RunError(
                f"{self.directory}: parts came or went meanwhile, another run must be using it; "
                "the same command goes on from what is there"
            )
        for file, columns in ((CASES_FILE, CASE_COLUMNS), (TIMINGS_FILE, TIMING_COLUMNS)):
            with new_file(self.directory / file) as temporary:
                _sink(rows.select(names(columns)).sort(ORDER), temporary)
        for path in (*parts, *self.directory.glob(f"{PARTS}/.*.tmp")):  # a killed run's too
            path.unlink(missing_ok=True)

    def rows(self) -> pl.LazyFrame:
        """Return the rows of finished chunks (`bench.survey.worker.PART_SCHEMA`)."""
        return pl.scan_parquet(self._parts(), schema=PART_SCHEMA)

    def _parts(self) -> list[Path]:
        return sorted((self.directory / PARTS).glob("*.parquet"))


def read_cases(directory: Path) -> pl.DataFrame:
    """Return the table of cases of a finished run.

    Raises
    ------
    RunError
        There is none, it can't be read, or its columns aren't a survey's.
    """
    path = directory / CASES_FILE
    if not path.exists():
        state = "holds an unfinished run" if (directory / PARTS).exists() else "holds no run"
        raise RunError(
            f"{directory} {state}: there is no {CASES_FILE}; `sightbench map` makes one"
        )
    try:
        cases = pl.read_parquet(path)
    except (OSError, pl.exceptions.PolarsError) as error:
        line = str(error).splitlines()[0]
        raise RunError(f"{path}: can't be read as a table of cases: {line}") from error
    missing = [name for name in names(CASE_COLUMNS) if name not in cases.columns]
    if missing:
        raise RunError(f"{path}: isn't a table of cases: it lacks {', '.join(missing)}")
    if cases.is_empty():
        raise RunError(f"{path}: has no cases")
    return cases


def _sink(rows: pl.LazyFrame, path: Path) -> None:
    try:
        rows.sink_parquet(path)
    except pl.exceptions.PolarsError as error:  # what polars makes of a full disk
        raise OSError(str(error)) from error


def _digest(content: bytes) -> str:
    return hashlib.blake2b(content, digest_size=8).hexdigest()


def _read_part(path: Path) -> list[int] | None:
    """Return the indices in a part, or None where it isn't whole."""
    content = path.read_bytes()
    if path.stem.rpartition("-")[2] != _digest(content):
        return None
    return pl.read_parquet(content, columns=[INDEX])[INDEX].unique().to_list()
