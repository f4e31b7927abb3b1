"""Tables of text that people and instruments write, and the one strict reader of them."""

from __future__ import annotations

import codecs
import csv
import io
import math
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from bench.errors import ConfigError, RunError
from bench.files import read_file
from bench.units import shown

MAX_BYTES = 50_000_000
MAX_ROWS = 1_000_000
MAX_TEXT = 100  # letters of a cell that holds a name
# A refusal is one line of 200 characters at most, the program's name before it included.
MAX_LINE = 200 - len("sightbench: ")
# Either way, degrees or millimetres: no bay is a kilometre long; squares of much larger numbers
# overflow, so that beyond it is a slip of the pen.
LARGEST = 1e6

SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
NUMBER = re.compile(r"[+-]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")
NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity)", re.IGNORECASE)
# One and a quarter with a decimal comma, or a thousand and more: it can't be told.
EITHER = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")
UTF_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
# How files begin that people take for tables of text: workbooks old and new, and Parquet.
BINARY = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0", b"PAR1")


@dataclass(frozen=True)
class Column:
    """A column that a table may have.

    Attributes
    ----------
    name : str
        As its header says.
    number : bool
        Whether it holds numbers; names otherwise.
    needed : bool
        Whether the table must have it.
    filled : bool
        Whether no cell of it may be empty.
    low, high : float
        Of its numbers.
    """

    name: str
    number: bool = False
    needed: bool = True
    filled: bool = True
    low: float = -LARGEST
    high: float = LARGEST


def finite_or_none(value: float) -> float | None:
    """Return a number as a table's cell: none where it isn't finite."""
    return float(value) if math.isfinite(value) else None


def aligned(rows: Sequence[Sequence[str]], right: Collection[int] = ()) -> list[str]:
    """Return rows of text, the first the head, as lines of columns; some aligned to the right."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(
            cell.rjust(width) if i in right else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def texts(*names: str, optional: bool = False) -> tuple[Column, ...]:
    """Return columns of names; optional ones may be left out or have empty cells."""
    return tuple(Column(n, False, not optional, not optional) for n in names)


def numbers(
    *names: str, optional: bool = False, within: tuple[float, float] = (-LARGEST, LARGEST)
) -> tuple[Column, ...]:
    """Return columns of numbers within limits; optional ones may be left out or left empty."""
    return tuple(Column(n, True, not optional, not optional, *within) for n in names)


@dataclass(frozen=True)
class Row:
    """One row.

    Attributes
    ----------
    path : pathlib.Path
        The table's.
    line : int
        In the file, from 1.
    texts : mapping of str to str
        Names by column; "" where a cell is empty.
    numbers : mapping of str to float
        By column; without those whose cell is empty.
    """

    path: Path
    line: int
    texts: Mapping[str, str]
    numbers: Mapping[str, float]

    def refusal(self, words: str) -> ConfigError:
        """Return the error that names this row; `words` name column, value and remedy."""
        return refusal(self.path, f"line {self.line}: {words}")


def refusal(path: Path, words: str) -> ConfigError:
    """Return the error that names a table's file, in no more than `MAX_LINE` characters."""
    text = f"{path}: {words}"
    if len(text) > MAX_LINE:  # the file's own name says enough; it may be long too
        name = path.name
        text = f"{name if len(name) <= 40 else name[:39] + '…'}: {words}"
    return ConfigError(text if len(text) <= MAX_LINE else f"{text[: MAX_LINE - 1]}…")


def read_table(
    path: Path,
    columns: Sequence[Column],
    key: Sequence[str] = (),
    distinct: Sequence[str] | None = None,
    counter: str = "",
) -> tuple[Row, ...]:
    """Return the rows of a CSV table.

    Text is UTF-8 with or without a byte order mark, or UTF-16 with one. The header's names are
    separated by commas, semicolons or tabs, and so is all that follows; cells may be quoted.
    Where the separator is no comma, numbers may have decimal commas, if all have. Empty lines
    are left out.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    columns : sequence of Column
        All that it may have.
    key : sequence of str
        Columns of names that no two rows may agree in, whatever the case of their letters; rows
        with an empty one aren't compared.
    distinct : sequence of str, optional
        Columns that no two rows may agree in, since such a row would be a copy of the other; all
        when left out.
    counter : str
        The column that numbers readings, which tells one that its instrument rounded to the same
        from a copy.

    Raises
    ------
    ConfigError
        It can't be read or told, or has a cell, row or column that it may not have; with file,
        line, column, value and remedy.
    """
    header, lines = _cells(path)
    separator = header[0]
    names = _columns(path, header[1], columns)
    found = [column for column in columns if column.name in names]
    places = [names.index(column.name) for column in found]
    for line, cells in lines:
        _refuse_ragged(path, line, cells, names, separator)
    numeric = [
        (column.name, place) for column, place in zip(found, places, strict=True) if column.number
    ]
    _refuse_mixed_marks(path, lines, numeric, separator)
    rows = []
    for line, cells in lines:
        row = Row(path, line, {}, {})
        texts_, numbers_ = {}, {}
        for column, place in zip(found, places, strict=True):
            cell = cells[place]
            if not cell and column.filled:
                raise row.refusal(f"{column.name} is empty: fill it in, or delete the line")
            if not column.number:
                texts_[column.name] = _text(row, column.name, cell)
            elif cell:
                numbers_[column.name] = _number(row, column, cell, separator)
        rows.append(Row(path, line, texts_, numbers_))
    if not rows:
        raise refusal(path, "the table has no rows below its header: fill it in")
    _refuse_repeated(rows, key, distinct, counter)
    return tuple(rows)


def _content(path: Path) -> str:
    """Return the file's text, its size bounded first."""
    try:
        content = read_file(path, MAX_BYTES)
    except FileNotFoundError as error:
        raise refusal(path, str(error.strerror)) from error
    except RunError as error:
        raise refusal(path, str(error).removeprefix(f"{path}: ")) from error
    wide = content.startswith(UTF_16)
    if content.startswith(BINARY) or (not wide and b"\0" in content):
        raise refusal(path, "a binary file, no text: save the table as CSV in UTF-8")
    try:
        text = content.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise refusal(
            path, f"line {line}: not in UTF-8: save the table as CSV in UTF-8"
        ) from error
    if "\0" in text:
        raise refusal(path, "holds NUL characters: save the table as CSV in UTF-8")
    if max(text.count("\n"), text.count("\r")) > MAX_ROWS + 1:
        raise refusal(path, f"more than {MAX_ROWS:,} lines: split the table")
    return text


def _cells(path: Path) -> tuple[tuple[str, list[str]], list[tuple[int, list[str]]]]:
    """Return separator and header, and the rows that aren't empty with their lines."""
    text = _content(path)
    top = next((line for line in text.splitlines() if line.strip()), "")
    if not top:
        raise refusal(path, "the table is empty")
    bare = re.sub(r'"[^"]*"', "", top)
    present = [separator for separator in SEPARATORS if separator in bare]
    if len(present) > 1:
        both = " and ".join(SEPARATORS[separator] for separator in present)
        raise refusal(path, f"its header has {both}: separate columns by one of them alone")
    separator = present[0] if present else ","
    lines = list(_split(path, text, separator))
    if not lines:
        raise refusal(path, "the table is empty")
    return (separator, lines[0][1]), lines[1:]


def _split(path: Path, text: str, separator: str) -> Iterator[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    before = 0
    try:
        for cells in reader:
            line, before = before + 1, reader.line_num
            if reader.line_num > line:
                raise refusal(path, f"line {line}: a cell goes on in the next line: end its quote")
            cells = [cell.strip() for cell in cells]
            if any(cells):
                yield line, cells
    except csv.Error as error:
        raise refusal(
            path, f"line {before + 1}: its quotes or cells are broken: {error}"
        ) from error


def _columns(path: Path, header: Sequence[str], columns: Sequence[Column]) -> list[str]:
    """Return the header's names, checked."""
    known = [column.name for column in columns]
    for place, name in enumerate(header, start=1):
        if not name:
            raise refusal(path, f"column {place} has no name: name it, or delete it")
        if header.count(name) > 1:
            raise refusal(path, f"column {shown(name)} stands twice: delete or rename one")
    strange = [name for name in header if name not in known]
    for column in columns:
        if column.needed and column.name not in header:
            near = get_close_matches(column.name, [n.lower() for n in strange], 1)
            words = f"column {column.name} is missing"
            if near:
                name = next(n for n in strange if n.lower() == near[0])
                words += f"; {shown(name)} is unknown, did you mean {column.name}?"
            elif len(header) == 1:
                words += f"; separate columns by {', '.join(SEPARATORS.values())}"
            else:
                words += f"; the header has {_listed(header)}: add or rename it"
            raise refusal(path, words)
    for name in strange:
        near = get_close_matches(name.lower(), known, 1)
        hint = f"did you mean {near[0]}?" if near else f"delete it; known are {_listed(known)}"
        raise refusal(path, f"unknown column {shown(name)}; {hint}")
    return list(header)


def _listed(names: Sequence[str], room: int = 80) -> str:
    text = ", ".join(names)
    return text if len(text) <= room else f"{text[: room - 1]}…"


def _refuse_ragged(
    path: Path, line: int, cells: Sequence[str], names: Sequence[str], separator: str
) -> None:
    if len(cells) == len(names):
        return
    hint = "give each column one cell"
    if separator == "," and len(cells) > len(names):
        hint = "with decimal commas, separate by semicolons"
    raise refusal(path, f"line {line} has {len(cells)} cells, the header {len(names)}: {hint}")


def _refuse_mixed_marks(
    path: Path,
    lines: Sequence[tuple[int, Sequence[str]]],
    numeric: Sequence[tuple[str, int]],
    separator: str,
) -> None:
    """Refuse decimal commas beside decimal points, and commas that may be either."""
    if separator == ",":
        return
    first: dict[str, tuple[int, str, str]] = {}
    proven = False
    for line, cells in lines:
        for name, place in numeric:
            cell = cells[place]
            mark = "," if "," in cell else "." if "." in cell else ""
            if not mark or not NUMBER.fullmatch(cell):
                continue
            first.setdefault(mark, (line, name, cell))
            proven = proven or (mark == "," and not EITHER.fullmatch(cell))
            if len(first) > 1:
                there, _, other = first["." if mark == "," else ","]
                raise refusal(
                    path,
                    f"line {line}: {name}: {shown(cell)} beside {shown(other)} in line {there}: "
                    "write all numbers with one decimal mark, none for thousands",
                )
    if "," in first and not proven:
        line, name, cell = first[","]
        raise refusal(
            path,
            f"line {line}: {name}: {shown(cell)} may be {cell.replace(',', '.')} or "
            f"{cell.replace(',', '')}: write decimal points",
        )


def _text(row: Row, name: str, cell: str) -> str:
    if len(cell) > MAX_TEXT:
        raise row.refusal(f"{name}: {shown(cell)} is longer than {MAX_TEXT} letters: shorten it")
    return cell


def _number(row: Row, column: Column, cell: str, separator: str) -> float:
    name = column.name
    if NOT_FINITE.fullmatch(cell):
        raise row.refusal(f"{name}: {shown(cell)} must be finite: delete the line")
    if not NUMBER.fullmatch(cell):
        raise row.refusal(
            f"{name}: {shown(cell)} must be a number such as -1.5, without unit or thousands mark"
        )
    if separator == "," and "," in cell:
        raise row.refusal(
            f"{name}: {shown(cell)} must be a number with a decimal point, or separate columns by "
            "semicolons"
        )
    value = float(cell.replace(",", "."))
    if not math.isfinite(value):
        raise row.refusal(f"{name}: {shown(cell)} must be finite")
    if not column.low <= value <= column.high:
        if column.low == -column.high:
            raise row.refusal(f"{name}: {value:g} must be within {column.high:,.10g} either way")
        raise row.refusal(
            f"{name}: {value:g} must be from {column.low:,.10g} to {column.high:,.10g}"
        )
    return value


def _refuse_repeated(
    rows: Sequence[Row], key: Sequence[str], distinct: Sequence[str] | None, counter: str
) -> None:
    named: dict[tuple[str, ...], int] = {}
    copies: dict[tuple[object, ...], int] = {}
    for row in rows:
        names = tuple(row.texts.get(name, "").casefold() for name in key)
        if names and all(names):
            before = named.setdefault(names, row.line)
            if before != row.line:
                which = ", ".join(f"{name} {shown(row.texts[name])}" for name in key)
                raise row.refusal(f"a second row for {which}; the first is line {before}")
        values: Mapping[str, object] = {**row.texts, **row.numbers}
        compared = values if distinct is None else distinct
        content = tuple((name, values.get(name)) for name in sorted(compared))
        before = copies.setdefault(content, row.line) if content else row.line
        if before != row.line:
            remedy = f", or number both in a column {counter}" if counter else ""
            raise row.refusal(
                f"repeats line {before}, number for number; a copy is no second measurement: "
                f"delete it{remedy}"
            )
