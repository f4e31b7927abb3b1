"""A search for the best layout from a state of the bay, in a thread, watched and cancelled."""

from __future__ import annotations

import secrets
import threading
import tomllib
from dataclasses import dataclass, field
from typing import Any

from bench.errors import BenchError
from bench.explore.bay_state import BayState, MovableBay, read_bay_state
from bench.explore.runs import CANCELLED, DONE, FAILED, RUNNING
from bench.scene.toml_edit import Edit
from bench.sighting.visibility import visibility
from bench.siting.files import edits_of
from bench.siting.search import Siting, site
from bench.siting.tower_layout import layout_of
from bench.siting.words import siting_words

STARTS, SEED = 16, 1  # as `sightbench site` has them
KEPT = 4  # searches that can still be asked for


class _CancelledError(Exception):
    """Ends a search from within."""


@dataclass(eq=False)
class Search:
    """One search, as it stands.

    Attributes
    ----------
    id : str
        Unguessable.
    state : BayState
        From which it looks: what siting doesn't move stays as there.
    lenses, mounts : bool
        Whether the bay's other lenses, and other settings of holders, may be taken.
    status : str
        ``running``, ``done``, ``cancelled`` or ``failed``.
    """

    id: str
    state: BayState
    movable: MovableBay
    lenses: bool
    mounts: bool
    starts: int = STARTS
    status: str = RUNNING
    done: int = 0
    total: int = STARTS
    failure: str = ""
    words: list[str] = field(default_factory=list)
    found: BayState | None = None

    def start(self) -> threading.Thread:
        """Begin in a thread of its own."""
        thread = threading.Thread(target=self._work, name="search", daemon=True)
        thread.start()
        return thread

    def cancel(self) -> None:
        """Let it end after the start in work; what it finds is nobody's any more."""
        if self.status == RUNNING:
            self.status = CANCELLED

    def _step(self, done: int, total: int) -> None:
        if self.status != RUNNING:
            raise _CancelledError
        self.done, self.total = done, total

    def _work(self) -> None:
        try:
            bay = self.movable.bay(self.state)
            own = layout_of(bay).focal_length
            lenses = bay.siting.lenses if self.lenses or own is None else (own,)
            siting = site(
                bay, self.movable.predictor, self.starts, SEED, visibility, lenses,
                self.mounts, self._step,
            )  # fmt: skip
            found = state_of(siting, self.state, self.movable)
            status = DONE
        except _CancelledError:
            return
        except BenchError as error:
            status, self.failure = FAILED, f"{error}"
        except Exception as error:  # a thread's end nobody would see
            status, self.failure = FAILED, f"{type(error).__name__}: {error}"
        else:
            self.found, self.words = found, siting_words(siting, (), (), False)
        if self.status == RUNNING:
            self.status = status

    def report(self) -> dict[str, Any]:
        """Return how it stands, as JSON can hold it."""
        return {
            "id": self.id,
            "status": self.status,
            "done": self.done,
            "total": self.total,
            "failure": self.failure,
            "words": self.words,
            "changes": None if self.found is None else dict(self.found.changes),
        }


def state_of(siting: Siting, state: BayState, movable: MovableBay) -> BayState:
    """Return the state that a layout found makes of one: by the edits of sited.toml."""
    changes = dict(state.changes)
    for edit in edits_of(movable.document, siting.asked, siting.bay):
        if edit.key != "file":
            changes |= _flat(edit)
    return read_bay_state({"vehicle": state.vehicle, "station": state.station, **changes}, movable)


def _flat(edit: Edit) -> dict[str, str]:
    value = tomllib.loads(f"value = {edit.value}")["value"]
    key = ".".join(str(step) for step in (*edit.table, edit.key))
    if isinstance(value, dict):
        return {f"{key}.{name}": text for name, text in value.items()}
    return {key: value}


class Searches:
    """The searches of one page server: one at work, the last few kept to be asked for."""

    def __init__(self, movable: MovableBay) -> None:
        self.movable = movable
        self._searches: dict[str, Search] = {}

    def start(self, state: BayState, lenses: bool, mounts: bool) -> Search:
        """Begin a search; one at work is cancelled."""
        for other in self._searches.values():
            other.cancel()
        search = Search(secrets.token_urlsafe(9), state, self.movable, lenses, mounts)
        self._searches[search.id] = search
        while len(self._searches) > KEPT:
            self._searches.pop(next(iter(self._searches)))
        search.start()
        return search

    def get(self, search_id: str) -> Search | None:
        """Return a search by its id, if it is still known."""
        return self._searches.get(search_id)
