"""Changes of single values in a TOML file that leave everything else, comments too, as it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Table

from bench.errors import ConfigError

Path = tuple[str | int, ...]


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

    Raises
    ------
    ConfigError
        A table isn't there, or the text isn't TOML.
    """
    try:
        document = tomlkit.parse(text)
        for edit in edits:
            table = _table(document, edit.table)
            after: list[Any] = []
            new = isinstance(table, Table) and edit.key not in table
            body = table.value.body if new else []
            while body and body[-1][0] is None:  # belongs to what follows, not to this table
                after.append(body.pop())
            table[edit.key] = tomlkit.value(edit.value)
            body.extend(reversed(after))
        return document.as_string()
    except TOMLKitError as error:
        raise ConfigError(str(error)) from error


def _table(document: tomlkit.TOMLDocument, path: Path) -> Any:
    found: Any = document
    for step in path:
        try:
            found = found[step]
        except (KeyError, IndexError):
            raise ConfigError(f"the file has no table {'.'.join(map(str, path))}") from None
    return found
