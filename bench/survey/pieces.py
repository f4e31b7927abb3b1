"""A table of cases in pieces, so that no memory grows with the number of cases.

A table is a directory of Parquet files, together one data set: each holds the rows of one
nominal range, or of some of its views where they are many, by key and pipeline; the files
follow each other by range, turn and pitch. A view's rows are all in one file, so that whatever
is said of cells, or of pictures that several pipelines saw, is found a file at a time. The
name ``0003-of-0042_2.5m_DIGEST.parquet`` tells a missing file from none, and a damaged one.
"""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from bench.errors import RunError
from bench.files import files_in, read_file
from bench.places import is_local
from bench.survey.plan import number

_NAME = re.compile(r"(\d+)-of-(\d+)_(.+)m_([0-9a-f]{16})\.parquet")


@dataclass(frozen=True)
class CaseTable:
    """A table of cases that is read a piece at a time.

    Attributes
    ----------
    files : tuple of Path
        The pieces' files, in order.
    """

    files: tuple[Path, ...]

    def pieces(self, range_m: float | None = None) -> Iterator[pl.LazyFrame]:
        """Iterate over the pieces, or those of one nominal range.

        Raises
        ------
        RunError
            A file is damaged, or can't be read.
        """
        for path in self.files:
            if range_m is None or _range_of(path) in (None, range_m):
                rows = _scan(path)
                yield rows if range_m is None else rows.filter(pl.col("range_m") == range_m)

    def height(self) -> int:
        """Return the number of rows."""
        return sum(height(piece) for piece in self.pieces())


Cases = pl.DataFrame | CaseTable


def pieces_of(cases: Cases, range_m: float | None = None) -> Iterator[pl.LazyFrame]:
    """Iterate over a table's pieces, see `CaseTable.pieces`; a frame in memory is one."""
    if isinstance(cases, CaseTable):
        yield from cases.pieces(range_m)
    elif range_m is None:
        yield cases.lazy()
    else:
        yield cases.lazy().filter(pl.col("range_m") == range_m)


def height(rows: pl.LazyFrame) -> int:
    """Return the number of rows."""
    return int(rows.select(pl.len()).collect().item())


def digest(content: bytes) -> str:
    """Return what the name of a file tells of its content."""
    return hashlib.blake2b(content, digest_size=8).hexdigest()


def packed(rows: pl.DataFrame) -> bytes:
    """Return rows as a Parquet file, whose bytes depend on them alone."""
    buffer = io.BytesIO()
    rows.write_parquet(buffer)
    return buffer.getvalue()


def piece_name(index: int, count: int, range_m: float, content: bytes) -> str:
    """Return the name of the index-th of `count` files, from 1."""
    width = max(4, len(str(count)))
    return f"{index:0{width}d}-of-{count:0{width}d}_{number(range_m)}m_{digest(content)}.parquet"


def open_table(path: Path) -> CaseTable:
    """Return the table at a place: a directory of pieces, or one file as earlier versions wrote.

    Raises
    ------
    RunError
        Files are missing.
    """
    if is_local(path) and path.is_file():
        return CaseTable((path,))
    files = files_in(path, "*.parquet")
    found = [_NAME.fullmatch(file.name) for file in files]
    places = [(int(name[1]), int(name[2])) for name in found if name]
    count = max((of for _, of in places), default=0)
    if not files or len(places) != len(files) or places != [(i + 1, count) for i in range(count)]:
        there = sorted({index for index, of in places if of == count})
        raise RunError(
            f"{path}: of the table's {count} files {len(there)} are there, or others among them; "
            "the command that made the run makes it whole"
        )
    return CaseTable(tuple(files))


def _range_of(path: Path) -> float | None:
    name = _NAME.fullmatch(path.name)
    return float(name[3]) if name else None


def _scan(path: Path) -> pl.LazyFrame:
    """Return a file's rows, from content that is what its name says."""
    name = _NAME.fullmatch(path.name)
    if name is None:
        return pl.scan_parquet(path)
    try:
        content = read_file(path)
    except FileNotFoundError as error:
        raise RunError(f"{path}: went away meanwhile") from error
    if digest(content) != name[4]:
        raise RunError(
            f"{path}: is damaged; the command that made the run makes it whole: it does the "
            "run's cases again"
        )
    return pl.scan_parquet(io.BytesIO(content))
