"""The bay files of a book: as asked, as sited, as built."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from pathlib import Path

from bench.book.shelf import Leaf, Shelf
from bench.errors import BenchError, ConfigError
from bench.scene.load import load_bay
from bench.scene.model import Bay
from bench.setting_out.as_built_output import AS_BUILT
from bench.setting_out.as_built_output import FILES as AS_BUILT_FILES
from bench.siting.files import SITED_FILE
from bench.siting.result import SITING

BAY_FILE = "bay.toml"
MOST_BAY_FILES = 50  # of a folder that was given by mistake


@dataclass(frozen=True, eq=False)
class BayFile:
    """A bay file of a book.

    Attributes
    ----------
    path : Path
        Relative to the book's folder where it is inside.
    bay : Bay or None
        What it describes; None where it can't be read.
    fault : str
        Why it can't.
    """

    path: Path
    bay: Bay | None
    fault: str = ""

    @property
    def digest(self) -> str:
        """Of the bay; empty where it can't be read."""
        return "" if self.bay is None else self.bay.digest


@dataclass(frozen=True, eq=False)
class BayFiles:
    """The bay files of a book, each of which follows from the one before.

    Attributes
    ----------
    asked : BayFile
        What the bay is to be: the book's own.
    sited : BayFile or None
        With the layout that `sightbench site` found.
    built : BayFile or None
        As it was measured.
    """

    asked: BayFile
    sited: BayFile | None
    built: BayFile | None

    @property
    def plan(self) -> BayFile:
        """What is built from."""
        return self.sited or self.asked

    @property
    def latest(self) -> BayFile:
        """What describes the bay best so far."""
        return self.built or self.plan

    def has(self, leaf: Leaf) -> bool:
        """Tell whether a result is of one of these as it is today."""
        today = {one.digest for one in (self.asked, self.sited, self.built) if one is not None}
        return bay_digest(leaf) in today - {""}


def asked_file(root: Path, given: Path | None) -> Path:
    """Return the path of a book's own bay file.

    Raises
    ------
    ConfigError
        There is none, or it isn't said which.
    """
    if given is not None:
        return given
    if (root / BAY_FILE).is_file():
        return root / BAY_FILE
    found = []
    for path in sorted(root.glob("*.toml"))[:MOST_BAY_FILES]:
        try:
            load_bay(path)
        except BenchError:
            continue
        found.append(path)
    if len(found) == 1:
        return found[0]
    if not found:
        raise ConfigError(
            f"{root}: has no bay file; put yours there as {BAY_FILE}, or have a starter written: "
            f"{shlex.join(('sightbench', 'book', str(root), '--new'))}"
        )
    names = ", ".join(path.name for path in found)
    raise ConfigError(f"{root}: which is the bay file, {names}? Name it {BAY_FILE}, or give --bay")


def bay_files(shelf: Shelf, asked: Path) -> BayFiles:
    """Return the bay files of a book: those beside the latest siting and the latest as-built.

    Another bay's siting, or an earlier state's, counts only where this bay has none.
    """
    own = _read(shelf.root, asked)
    sited = _beside(shelf, SITING.name, SITED_FILE, own.digest)
    sited = sited or _beside(shelf, SITING.name, SITED_FILE)
    # an as-built bay of another plan isn't this bay's
    built = _beside(shelf, AS_BUILT.name, AS_BUILT_FILES[2], (sited or own).digest)
    return BayFiles(own, sited, built)


def _beside(shelf: Shelf, kind: str, name: str, of: str | None = None) -> BayFile | None:
    for leaf in shelf.of(kind):
        if (shelf.root / leaf.folder / name).is_file() and (of is None or of == bay_digest(leaf)):
            return _read(shelf.root, shelf.root / leaf.folder / name)
    return None


def bay_digest(leaf: Leaf) -> str:
    """Return the digest of the bay that a result is of; empty where it is of none."""
    return "" if leaf.head.bay is None else leaf.head.bay.digest


def _read(root: Path, path: Path) -> BayFile:
    shown = path.relative_to(root) if path.is_relative_to(root) else path
    try:
        return BayFile(shown, load_bay(path))
    except BenchError as error:
        return BayFile(shown, None, str(error).removeprefix(f"{path}: "))
