"""Changing single values of a TOML file and leaving everything else, comments too, as it is."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from bench.errors import ConfigError

Path = tuple[str | int, ...]
ARRAY = re.compile(r"\s*\[\[\s*([\w.\-]+)\s*\]\]")
TABLE = re.compile(r"\s*\[\s*([\w.\-]+)\s*\]")


@dataclass(frozen=True)
class Edit:
    """One value to be set.

    Attributes
    ----------
    table : tuple of str and int
        Such as ``("vehicle", 0, "axle", 1)``; empty is the file's top.
    key : str
        In that table; added after its last key where it isn't there.
    value : str
        As TOML writes it, quotes included.
    """

    table: Path
    key: str
    value: str


def edit_toml(text: str, edits: Sequence[Edit]) -> str:
    """Return a TOML file's text with values set.

    Tables must have headers of their own and values stand on one line, as bay files have them.

    Raises
    ------
    ConfigError
        A table isn't there, or a value to be replaced goes over several lines.
    """
    lines = text.splitlines()
    for edit in edits:
        first, last = _extent(lines, edit.table)
        place = _line_of(lines, first, last, edit.key)
        if place is None:
            end = max((i for i in range(first, last) if _is_key(lines[i])), default=first - 1)
            lines.insert(end + 1, f"{edit.key} = {edit.value}")
            continue
        head, _, rest = lines[place].partition("=")
        value, comment = _split_comment(rest)
        if value.count("[") != value.count("]") or '"""' in value:
            raise ConfigError(f"{edit.key}: a value over several lines can't be changed in place")
        lines[place] = f"{head}= {edit.value}{comment}"
    return "\n".join(lines) + "\n"


def _extent(lines: Sequence[str], table: Path) -> tuple[int, int]:
    """Return the first line of a table's keys and the line after its last."""
    start: int | None = 0 if table == () else None
    counts: dict[str, int] = {}
    for number, line in enumerate(lines):
        array, single = ARRAY.match(line), TABLE.match(line)
        match = array or single
        if match is None:
            continue
        if start is not None:
            return start, number
        name = match[1]
        if array:
            counts[name] = counts.get(name, -1) + 1
            for other in [key for key in counts if key.startswith(f"{name}.")]:
                del counts[other]
        if _resolved(name, counts) == table:
            start = number + 1
    if start is None:
        raise ConfigError(f"the file has no table {'.'.join(map(str, table))} of its own")
    return start, len(lines)


def _resolved(name: str, counts: dict[str, int]) -> Path:
    path: list[str | int] = []
    parts = name.split(".")
    for depth, part in enumerate(parts):
        path.append(part)
        index = counts.get(".".join(parts[: depth + 1]))
        if index is not None:
            path.append(index)
    return tuple(path)


def _is_key(line: str) -> bool:
    return re.match(r"\s*[\w\-\"'.]+\s*=", line) is not None


def _line_of(lines: Sequence[str], first: int, last: int, key: str) -> int | None:
    pattern = re.compile(rf"\s*{re.escape(key)}\s*=")
    return next((i for i in range(first, last) if pattern.match(lines[i])), None)


def _split_comment(rest: str) -> tuple[str, str]:
    """Return a value and the comment after it with the space between."""
    quote = ""
    for i, c in enumerate(rest):
        if quote:
            quote = "" if c == quote else quote
        elif c in "\"'":
            quote = c
        elif c == "#":
            value = rest[:i]
            return value, value[len(value.rstrip()) :] + rest[i:]
    return rest, ""
