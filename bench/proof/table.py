"""Tables of readings taken on site, read strictly: every mistake is one line that names it."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path

from bench.errors import ConfigError
from bench.units import shown

MAX_BYTES = 10_000_000  # of a table that people fill in
MAX_TEXT = 60
LARGEST = 1e6  # degrees or millimetres: a kilometre; squares of much larger numbers overflow


def read_rows(
    path: Path, texts: Sequence[str], numbers: Sequence[str], optional: Sequence[str] = ()
) -> list[tuple[dict[str, str], dict[str, float]]]:
    """Return the rows of a CSV file as (texts, numbers) by column.

    Parameters
    ----------
    path : Path
        A CSV file with a line of column names.
    texts, numbers : sequence of str
        Columns that must be there and filled in.
    optional : sequence of str
        Columns of text that may be there; dropped.

    Raises
    ------
    ConfigError
        Not readable, a column unknown or missing, a cell empty or not a number; with file, line
        and column.
    """
    header, lines = _read(path)
    known = (*texts, *numbers, *optional)
    for name in header:
        if name not in known:
            close = get_close_matches(name, known, n=1)
            hint = f"; did you mean {close[0]}?" if close else f"; known are {', '.join(known)}"
            raise ConfigError(f"{path}: unknown column {shown(name)}{hint}")
    for name in (*texts, *numbers):
        if name not in header:
            raise ConfigError(f"{path}: column {name} is missing; it needs {', '.join(known)}")
    if len(set(header)) != len(header):
        raise ConfigError(f"{path}: a column's name stands twice in {', '.join(header)}")
    rows = []
    for line, cells in lines:
        if len(cells) != len(header):
            raise ConfigError(
                f"{path}: line {line} has {len(cells)} cells, the header {len(header)}"
            )
        row = dict(zip(header, (cell.strip() for cell in cells), strict=True))
        for name in (*texts, *numbers):
            if not row[name]:
                raise ConfigError(f"{path}: line {line}: {name} is empty")
            if name in texts and len(row[name]) > MAX_TEXT:
                raise ConfigError(f"{path}: line {line}: {name} is longer than {MAX_TEXT} letters")
        rows.append(
            (
                {name: row[name] for name in texts},
                {n: _number(path, line, n, row) for n in numbers},
            )
        )
    if not rows:
        raise ConfigError(f"{path}: the table has no rows")
    return rows


def _read(path: Path) -> tuple[list[str], list[tuple[int, list[str]]]]:
    try:
        with path.open("rb") as file:
            content = file.read(MAX_BYTES + 1)
        if len(content) > MAX_BYTES:
            raise ConfigError(f"{path}: too large for a table of readings, above 10 MB")
        reader = csv.reader(content.decode("utf-8-sig").splitlines())
        lines = [(reader.line_num, cells) for cells in reader if any(c.strip() for c in cells)]
    except OSError as error:
        raise ConfigError(f"{path}: {error.strerror or error}") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise ConfigError(f"{path}: not a CSV table in UTF-8") from error
    if not lines:
        raise ConfigError(f"{path}: the table is empty")
    return [name.strip() for name in lines[0][1]], lines[1:]


def _number(path: Path, line: int, name: str, row: dict[str, str]) -> float:
    try:
        value = float(row[name])
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ConfigError(f"{path}: line {line}: {name}: {shown(row[name])} is not a number")
    if not abs(value) <= LARGEST:
        raise ConfigError(
            f"{path}: line {line}: {name}: {value:g} must be within {LARGEST:,.0f} either way"
        )
    return value
