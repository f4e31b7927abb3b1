"""The bay book: every stage from first idea to hand-over, and what comes next."""

from __future__ import annotations

import shlex
from dataclasses import dataclass, replace
from pathlib import Path

from bench.book import measuring, planning
from bench.book.bay_files import BAY_FILE, BayFiles, asked_file, bay_files
from bench.book.digest import book_digest
from bench.book.result import BOOK
from bench.book.shelf import Shelf, read_shelf
from bench.book.standing import Contents, Standing, guarded
from bench.errors import ConfigError
from bench.places import is_local
from bench.survey.run_file import RUN_FILE
from bench.survey.store import PLAN_FILE

STAGES = (
    ("bay", "Bay file checked", planning.bay_stage),
    ("camera", "Cameras known", planning.camera_stage),
    ("sited", "Sited", planning.siting_stage),
    ("sheets", "Sheets printed", planning.sheets_stage),
    ("built", "Built and measured", planning.built_stage),
    ("aimed", "Aimed", planning.aim_stage),
    ("registered", "Registered", measuring.registration_stage),
    ("level", "Level", measuring.level_stage),
    ("proven", "Proven", measuring.proof_stage),
    ("wheels", "Wheels tried", measuring.wheels_stage),
    ("budget", "Budget from what was measured", measuring.budget_stage),
    ("report", "Report to hand over", measuring.report_stage),
)


@dataclass(frozen=True, eq=False)
class Book:
    """A bay's book.

    Attributes
    ----------
    name : str
        The bay's, or its file's where that can't be read.
    shelf : Shelf
        What lies there.
    files : BayFiles
        The bay files.
    standings : tuple of Standing
        Every stage, in order.
    digest : str
        Of all results and bay files.
    """

    name: str
    shelf: Shelf
    files: BayFiles
    standings: tuple[Standing, ...]
    digest: str

    @property
    def next(self) -> Standing | None:
        """The first stage that isn't done; None where all are."""
        return next((one for one in self.standings if one.state != "done"), None)

    @property
    def against(self) -> tuple[Standing, ...]:
        """Stages that speak against the bay, or are out of date."""
        return tuple(one for one in self.standings if one.state in ("fails", "stale"))


def is_book(place: Path) -> bool:
    """Tell whether a place is a book's folder rather than a map's run."""
    if not is_local(place) or not (place / BAY_FILE).is_file():
        return False
    return not any((place / name).exists() for name in (PLAN_FILE, RUN_FILE))


def read_book(root: Path, bay: Path | None = None, where: Path | None = None) -> Book:
    """Return a bay's book, read from its folder alone.

    Parameters
    ----------
    root : Path
        The folder.
    bay : Path, optional
        The bay file; ``bay.toml`` in the folder by default.
    where : Path, optional
        How commands name the folder; as given by default.

    Raises
    ------
    ConfigError
        There is no such folder, or no bay file in it.
    """
    if not root.is_dir():
        what = "isn't a folder" if root.exists() else "there is no such folder"
        command = shlex.join(("sightbench", "book", str(root), "--new"))
        raise ConfigError(f"{root}: {what}; start a book with: {command}")
    asked = asked_file(root, bay)
    shelf = read_shelf(root)
    shelf = Shelf(
        shelf.root, tuple(x for x in shelf.leaves if x.head.kind != BOOK.name), shelf.odd
    )
    files = bay_files(shelf, asked)
    contents = Contents(shelf, files, root if where is None else where)
    standings = tuple(
        replace(guarded(judge, contents), name=name, title=title) for name, title, judge in STAGES
    )
    name = asked.stem if files.asked.bay is None else files.asked.bay.name
    return Book(name, shelf, files, standings, book_digest(shelf, files))
