"""Standing of a bay's stages: the results found for each, and what they were made for."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, wraps
from pathlib import Path
from typing import Literal

from bench.book.bay_files import BayFile, BayFiles, bay_digest
from bench.book.shelf import Leaf, Shelf
from bench.budget.measured import Measured, checked
from bench.cameras.result import CALIBRATION, read_calibration
from bench.errors import BenchError
from bench.registration.bar_views import SIDES
from bench.registration.level_result import LEVEL
from bench.registration.result import REGISTRATION
from bench.scene.model import Bay
from bench.scene.parts import bay_parts

State = Literal["done", "fails", "stale", "rehearsed", "open"]
# What a state is called, and the mark that a table and a page show: words, since colour and signs
# alone aren't read from two metres.
STATE_WORDS: dict[State, str] = {
    "done": "done",
    "fails": "speaks against",
    "stale": "out of date",
    "rehearsed": "rehearsed only",
    "open": "open",
}
ORDER: tuple[State, ...] = ("fails", "stale", "open", "rehearsed", "done")


@dataclass(frozen=True)
class Standing:
    """Where a stage stands.

    Attributes
    ----------
    state : State
        Fails where its result speaks against itself or the bay.
    words : str
        What was found, a verdict with a number; or what is missing.
    sources : tuple of Path
        Files that say so, relative to the book.
    notes : tuple of str
        What contradicts, what was found earlier.
    todo : str
        What hands do before the command; empty where nothing is.
    command : tuple of str
        What comes next here; empty where nothing does.
    name, title : str
        Of the stage, for tables and for people; the book fills them in.
    """

    state: State
    words: str
    sources: tuple[Path, ...] = ()
    notes: tuple[str, ...] = ()
    todo: str = ""
    command: tuple[str, ...] = ()
    name: str = ""
    title: str = ""


@dataclass(frozen=True)
class Judgement:
    """What a stage's own rules make of its latest result, which is of today's bay.

    Attributes
    ----------
    state : State
        Where the stage stands by it.
    notes : tuple of str
        What its reader must know.
    todo : str or None
        What hands do first, in place of the stage's usual; None keeps that.
    """

    state: State = "done"
    notes: tuple[str, ...] = ()
    todo: str | None = None


@dataclass(frozen=True, eq=False)
class Contents:
    """All that a stage may ask: results, bay files, and how the folder is named in commands.

    Attributes
    ----------
    shelf : Shelf
        The results.
    files : BayFiles
        The bay files.
    where : Path
        The book's folder, as commands name it.
    """

    shelf: Shelf
    files: BayFiles
    where: Path

    def at(self, *parts: str | Path) -> str:
        """Return a path in the book as commands name it."""
        return str(self.where.joinpath(*parts))

    def file(self, one: BayFile) -> str:
        """Return a bay file's path as commands name it."""
        return self.at(one.path)

    def has(self, *parts: str | Path) -> bool:
        """Tell whether a file or folder is there."""
        return self.shelf.root.joinpath(*parts).exists()

    def free(self, name: str, *kinds: str) -> str:
        """Return a folder for a new result of a kind, so that what was found before stays."""
        found = {leaf.path.parts[0] for leaf in self.shelf.of(*kinds)}
        number, folder = 1, name
        while folder in found:
            number += 1
            folder = f"{name}-{number}"
        return folder

    @cached_property
    def results(self) -> Mapping[str, Leaf]:
        """The latest results that others are made with, by the name under which they count."""
        found = {f"{side} calibration": leaf for side, leaf in calibrations(self.shelf).items()}
        for kind in (REGISTRATION.name, LEVEL.name):
            for leaf in self.shelf.of(kind)[:1]:
                found[kind] = leaf
        return found

    @cached_property
    def parts(self) -> Mapping[str, frozenset[str]]:
        """Digests by name of what results may have been made for: any of today's bay files'."""
        found: dict[str, set[str]] = {}
        for one in (self.files.asked, self.files.sited, self.files.built):
            if one is not None and one.bay is not None:
                for bay in (one.bay, self._calibrated(one.bay)):
                    for name, digest in bay_parts(bay).items():
                        found.setdefault(name, set()).add(digest)
        for name, leaf in self.results.items():
            found[name] = {leaf.head.value_digest}
        return {name: frozenset(digests) for name, digests in found.items()}

    def _calibrated(self, bay: Bay) -> Bay:
        """Return the bay with the cameras that were calibrated, as 'budget' takes them."""
        try:
            known = {
                side: read_calibration(self.shelf.root / leaf.path)[0]
                for side, leaf in calibrations(self.shelf).items()
            }
            return checked(bay, Measured(calibrations=known))
        except BenchError:  # of another camera, which the cameras' own stage says
            return bay

    def stale(self, leaf: Leaf, whole: BayFile | None = None) -> str:
        """Say why a result is out of date; empty where it isn't.

        Parameters
        ----------
        leaf : Leaf
            The result.
        whole : BayFile, optional
            Given where the result depends on all of a bay file; else only its parts count.
        """
        latest = self.files.latest.path
        other = [
            name
            for name, digest in leaf.head.parts.items()
            if name in self.parts and digest not in self.parts[name]
        ]
        results = [name for name in other if name in self.results]
        if results:
            return f"{leaf.path} was made with another {' and '.join(results)} than the latest"
        if other:
            return f"{leaf.path} was made for another {' and '.join(other)} than {latest} has"
        if whole is not None and bay_digest(leaf) != whole.digest:
            if whole.bay is None:
                return f"{whole.path} can't be read: {whole.fault}"
            return f"{whole.path} isn't what {leaf.path} was made for: it changed since"
        return ""

    def judged(
        self,
        kind: str,
        say: Callable[[Leaf], str],
        judge: Callable[[Leaf], Judgement],
        missing: str,
        todo: str = "",
        command: Sequence[str] = (),
        outdated: Callable[[Leaf], str] | None = None,
    ) -> Standing:
        """Return where a stage stands by the latest result of a kind.

        Parameters
        ----------
        kind : str
            Of the results.
        say : callable
            What a result came to, in words.
        judge : callable
            What a result that isn't out of date makes of the stage.
        missing : str
            What to say where there is none.
        todo, command : str, sequence of str
            What makes one, and makes it anew where the stage isn't done.
        outdated : callable, optional
            Why a result is out of date, or nothing; `stale` by its parts by default.
        """
        leaves, again = self.shelf.of(kind), tuple(command)
        if not leaves:
            return Standing("open", missing, todo=todo, command=again)
        leaf, notes = leaves[0], self.earlier(leaves, say)
        why = (outdated or self.stale)(leaf)
        if why:
            return Standing("stale", why, (leaf.path,), notes, todo, again)
        found = judge(leaf)
        if found.state == "done":
            todo, again = "", ()
        elif found.todo is not None:
            todo = found.todo
        return Standing(found.state, say(leaf), (leaf.path,), (*found.notes, *notes), todo, again)

    def earlier(self, leaves: tuple[Leaf, ...], say: Callable[[Leaf], str]) -> tuple[str, ...]:
        """Return a line for each result that a later one of its kind replaced, two at most."""
        lines = [f"earlier, {leaf.path}: {say(leaf)}" for leaf in leaves[1:3]]
        if len(leaves) > 3:
            lines.append(f"and {len(leaves) - 3} more before")
        return tuple(lines)


Stage = Callable[[Contents], Standing]


def guarded(judge: Stage, contents: Contents) -> Standing:
    """Return where a stage stands; where a result lacks what its kind holds, that is said."""
    try:
        return judge(contents)
    except BenchError as error:
        return Standing("open", f"can't be judged: {error}")
    except (LookupError, TypeError, ValueError, AttributeError) as error:
        kind = type(error).__name__
        return Standing(
            "open", f"a result of this stage isn't what its command writes ({kind}: {error})"
        )


def needs_bay(judge: Stage) -> Stage:
    """Return a stage that is open while no bay file can be read."""

    @wraps(judge)
    def guarded_stage(book: Contents) -> Standing:
        if book.files.latest.bay is None:
            return Standing("open", "no bay file that can be read")
        return judge(book)

    return guarded_stage


def worst(states: Iterable[State]) -> State:
    """Return the state that calls for most attention."""
    return min(states, key=ORDER.index)


def calibrations(shelf: Shelf) -> dict[str, Leaf]:
    """Return the latest calibration of each side, told by its folder's name."""
    found: dict[str, Leaf] = {}
    for leaf in shelf.of(CALIBRATION.name):
        side = side_of(leaf)
        if side is not None:
            found.setdefault(side, leaf)
    return found


def side_of(leaf: Leaf) -> str | None:
    """Return which tower a calibration's folder names."""
    named = [side for side in SIDES if side in str(leaf.folder).lower()]
    return named[0] if len(named) == 1 else None
