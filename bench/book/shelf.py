"""The results that lie below a folder, found by their envelopes, and what else lies there."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bench.envelope import Header, read_sealed
from bench.errors import ConfigError
from bench.survey.run_file import SURVEY

# A result's file: the largest that a book reads, a budget of nine vehicles at three stations, has
# 0.4 MB. What is larger belongs to something else.
MOST_BYTES = 20_000_000
# A bay's book has dozens; a folder of more was given by mistake, such as a home directory.
MOST_FILES = 2000


@dataclass(frozen=True, eq=False)
class Leaf:
    """A result in a book.

    Attributes
    ----------
    path : Path
        Relative to the book's folder.
    head : Header
        What it is, by which command, for which bay and parts.
    value : dict
        As its command wrote it.
    """

    path: Path
    head: Header
    value: dict[str, Any]

    @property
    def folder(self) -> Path:
        """Where it lies, relative to the book's folder."""
        return self.path.parent

    @property
    def arguments(self) -> list[str]:
        """Words of the command that made it; none where they can't be told apart."""
        try:
            return shlex.split(self.head.command)
        except ValueError:
            return []

    def asked(self, *options: str) -> bool:
        """Tell whether its command was given one of the options."""
        return any(word.partition("=")[0] in options for word in self.arguments)


@dataclass(frozen=True, eq=False)
class Shelf:
    """What lies below a folder.

    Attributes
    ----------
    root : Path
        The folder.
    leaves : tuple of Leaf
        Results, the latest first.
    odd : tuple of str
        A line each for what is foreign, damaged or half written.
    """

    root: Path
    leaves: tuple[Leaf, ...]
    odd: tuple[str, ...]

    def of(self, *kinds: str) -> tuple[Leaf, ...]:
        """Return the results of some kinds, the latest first."""
        return tuple(leaf for leaf in self.leaves if leaf.head.kind in kinds)


def read_shelf(root: Path) -> Shelf:
    """Return what lies below a folder; nothing there makes it fail.

    Hidden folders, links to folders and the insides of surveys are passed over.
    """
    leaves: list[Leaf] = []
    odd: list[str] = []
    for number, path in enumerate(_json_files(root, odd)):
        if number == MOST_FILES:
            odd.append(f"more than {MOST_FILES} JSON files: the others weren't looked at")
            break
        name = path.relative_to(root)
        try:
            sealed = read_sealed(path, MOST_BYTES)
        except (ConfigError, OSError, RecursionError) as error:
            words = str(error).removeprefix(f"{path}: ")
            odd.append(f"{_printable(name)}: {_printable(words)}; left alone")
            continue
        if sealed is None:
            odd.append(f"{_printable(name)}: no result of sightbench's; left alone")
            continue
        leaves.append(Leaf(name, sealed.head, sealed.value))
    # names decide between results of one moment, so that a copied folder reads the same
    leaves.sort(key=lambda leaf: (leaf.head.ended, str(leaf.path)), reverse=True)
    return Shelf(root, tuple(leaves), tuple(odd))


def _json_files(root: Path, odd: list[str]) -> Iterator[Path]:
    def failed(error: OSError) -> None:
        where = _printable(os.path.relpath(error.filename or root, root))
        odd.append(f"{where}: {error.strerror}; not looked into")

    for folder, folders, files in os.walk(root, onerror=failed):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        found = sorted(name for name in files if name.endswith(".json") and name[0] != ".")
        if SURVEY.file in found and _is_survey(Path(folder) / SURVEY.file):
            folders[:], found = [], [SURVEY.file]  # its plan and parts are its own affair
        yield from (Path(folder) / name for name in found)


def _is_survey(path: Path) -> bool:
    try:
        sealed = read_sealed(path, MOST_BYTES)
    except (ConfigError, OSError, RecursionError):
        return False
    return sealed is not None and sealed.head.kind == SURVEY.name


def _printable(words: object) -> str:
    return "".join(c if c.isprintable() else "?" for c in str(words))
