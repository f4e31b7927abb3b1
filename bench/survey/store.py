"""A run's directory: finished chunks as parts, then the final tables; never a half-written file.

Whatever is written appears whole or not at all (`bench.files`). A part's name holds a digest
of its content, so a damaged one is known and done again; so do the names of the final tables'
files (`bench.survey.pieces`). The directory may be one in an object store.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import polars as pl

from bench.errors import RunError
from bench.files import (
    files_in,
    make_directory,
    new_directory,
    read_files,
    read_text,
    remove_files,
    write_atomically,
)
from bench.parsing import parse_json
from bench.places import is_local
from bench.survey.columns import CASE_COLUMNS, TIMING_COLUMNS, names
from bench.survey.joining import pieces_in, rows_of, sorted_runs
from bench.survey.pieces import CaseTable, digest, height, open_table, packed, piece_name
from bench.survey.plan import Plan, differences
from bench.survey.worker import INDEX, ChunkResult
from bench.typing import BoolArray, IntArray

PLAN_FILE = "plan.json"
CASES_FILE = "cases.parquet"
TIMINGS_FILE = "timings.parquet"
PARTS = "parts"
MAX_PLAN_BYTES = 50_000_000


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
            plan = parse_json(read_text(path, MAX_PLAN_BYTES))
        except ValueError as error:
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
        rows = np.zeros(plan.n_rows, dtype=np.bool_)
        for there in self.kept(plan).values():
            rows[there] = True
        return np.asarray(rows.reshape(plan.n_pictures, -1).all(axis=1))

    def kept(self, plan: Plan) -> dict[Path, IntArray]:
        """Return the rows of each whole part; damaged parts are removed.

        Rows are numbered by case, then pipeline, as the plan has them.
        """
        found = {}
        for path, part in _read_parts(self._parts(), [INDEX, "pipeline"]):
            if part is None:
                path.unlink(missing_ok=True)  # another run's end may have been quicker
            else:
                rows = row_numbers(part, plan)
                found[path] = rows[rows < plan.n_rows]
        return found

    def is_complete(self, plan: Plan) -> bool:
        """Tell whether the final tables are there, whole, with every row that is to be run."""
        try:
            heights = [
                open_table(self.directory / name).height() for name in (CASES_FILE, TIMINGS_FILE)
            ]
        except (RunError, OSError, pl.exceptions.PolarsError):
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
        name = f"{result.indices[0]:09d}-{digest(result.part)}.parquet"
        write_atomically(self.directory / PARTS / name, result.part)

    def finish(self, plan: Plan, wanted: BoolArray | None = None) -> None:
        """Join the parts into the final tables, then remove them.

        However many rows there are, memory holds some `bench.survey.joining.RUN_ROWS`. The
        tables' bytes don't depend on chunks or workers.

        Parameters
        ----------
        plan : Plan
            What the parts are of.
        wanted : (n_rows,) bool, optional
            The rows that there must be, numbered as by `kept`; all, unless given.

        Raises
        ------
        RunError
            They can't be written, or a part is missing; the parts are kept.
        """
        parts = self._parts()
        # whole tables beside parts: a run was killed while it removed them, or was the quicker
        # of two; what is left of the parts then makes no table
        if parts and not self.is_complete(plan):
            with self._scratch() as folder:
                runs = sorted_runs(self._once_each(parts, plan, wanted), folder)
                self._write_tables(runs)
        remove_files([*parts, *files_in(self.directory / PARTS, ".*.tmp")])  # a killed run's too
        if is_local(self.directory):
            for scraps in self.directory.glob(".*.tmp"):
                shutil.rmtree(scraps, ignore_errors=True)

    def cases_at(
        self,
        rows: IntArray,
        columns: Sequence[str],
        among: Mapping[Path, IntArray],
        plan: Plan,
    ) -> pl.DataFrame:
        """Return columns of finished rows with these numbers (N,), before the final tables.

        `among` is what `kept` returned: only the parts that have some of them are read.

        Raises
        ------
        RunError
            Some aren't there any more.
        """
        paths = [path for path, there in among.items() if np.isin(there, rows).any()]
        left = np.zeros(plan.n_rows, dtype=np.bool_)
        left[rows] = True
        found = []
        for _, part in _read_parts(paths, list({INDEX, "pipeline", *columns})):
            if part is not None:
                # two runs at once may have done a case twice, and it counts once
                numbers = row_numbers(part, plan)
                found.append(part.filter(left[numbers]).select(columns))
                left[numbers] = False
        if left.any():
            raise self._went_away()
        return pl.concat(found)

    def _write_tables(self, runs: list[Path]) -> None:
        pieces = pieces_in(runs)
        tables = (CASES_FILE, CASE_COLUMNS), (TIMINGS_FILE, TIMING_COLUMNS)
        with (
            new_directory(self.directory / CASES_FILE) as write_cases,
            new_directory(self.directory / TIMINGS_FILE) as write_timings,
        ):
            for i, piece in enumerate(pieces):
                rows = rows_of(piece, runs)
                for write, columns in zip((write_cases, write_timings), tables, strict=True):
                    content = packed(rows.select(names(columns[1])))
                    write(piece_name(i + 1, len(pieces), piece.range_m, content), content)

    def _once_each(
        self, parts: Sequence[Path], plan: Plan, wanted: BoolArray | None
    ) -> Iterator[pl.DataFrame]:
        """Iterate over the parts' rows; two runs at once may have done a case twice."""
        seen = np.zeros(plan.n_rows, dtype=np.bool_)
        for _, part in _read_parts(parts):
            if part is not None:
                rows = row_numbers(part, plan)
                # equal keys have equal numbers, so either will do
                yield part.filter(~seen[rows])
                seen[rows] = True
        if not (seen if wanted is None else seen[wanted]).all():
            raise self._went_away()

    def _went_away(self) -> RunError:
        return RunError(
            f"{self.directory}: parts came or went meanwhile, another run must be using it; "
            "the same command goes on from what is there"
        )

    @contextmanager
    def _scratch(self) -> Iterator[Path]:
        """Yield a folder for what is sorted: beside the tables, which fit there too."""
        beside = self.directory if is_local(self.directory) else None
        try:
            with TemporaryDirectory(prefix=".sort-", suffix=".tmp", dir=beside) as folder:
                yield Path(folder)
        except (OSError, pl.exceptions.PolarsError) as error:  # polars has its own of a full disk
            reason = getattr(error, "strerror", None) or str(error).splitlines()[0]
            raise RunError(
                f"{self.directory}: can't be written: {reason}; what was finished is kept"
            ) from error

    def _parts(self) -> list[Path]:
        return files_in(self.directory / PARTS, "*.parquet")


def row_numbers(part: pl.DataFrame, plan: Plan) -> IntArray:
    """Return the numbers of a part's rows: by case, then pipeline."""
    place = {name: k for k, name in enumerate(plan.pipelines)}
    which = part["pipeline"].replace_strict(place, return_dtype=pl.Int64).to_numpy()
    return np.asarray(part[INDEX].to_numpy() * len(place) + which)


def open_cases(directory: Path) -> CaseTable:
    """Return the table of cases of a finished run, to be read a piece at a time.

    Raises
    ------
    RunError
        There is none, files of it are missing, it can't be read, or its columns aren't a
        survey's.
    """
    path = directory / CASES_FILE
    if not path.exists():
        begun = any((directory / name).exists() for name in (PARTS, PLAN_FILE))
        state = "holds an unfinished run" if begun else "holds no run"
        raise RunError(
            f"{directory} {state}: there is no {CASES_FILE}; `sightbench map` makes one"
        )
    cases = open_table(path)
    try:
        first = next(cases.pieces())
        columns, n = first.collect_schema().names(), height(first)
    except (OSError, pl.exceptions.PolarsError) as error:
        line = str(error).splitlines()[0]
        raise RunError(f"{path}: can't be read as a table of cases: {line}") from error
    missing = [name for name in names(CASE_COLUMNS) if name not in columns]
    if missing:
        raise RunError(f"{path}: isn't a table of cases: it lacks {', '.join(missing)}")
    if n == 0:
        raise RunError(f"{path}: has no cases")
    return cases


def read_cases(directory: Path) -> pl.DataFrame:
    """Return a finished run's table of cases as one frame in memory: for small runs.

    Raises
    ------
    RunError
        As `open_cases`.
    """
    return pl.concat([piece.collect() for piece in open_cases(directory).pieces()])


def _read_parts(
    paths: Sequence[Path], columns: Sequence[str] | None = None
) -> Iterator[tuple[Path, pl.DataFrame | None]]:
    """Iterate over parts and their rows, None where one isn't whole or went away."""
    for path, content in read_files(paths):
        if content is None or path.stem.rpartition("-")[2] != digest(content):
            yield path, None
        else:
            wanted = None if columns is None else list(columns)
            yield path, pl.read_parquet(content, columns=wanted)
