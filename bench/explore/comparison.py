"""The view beside a view: by another pipeline, by another camera, or of another target."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from bench.explore.controls import ALONE
from bench.explore.place import Place
from bench.explore.state import State


def rival_of(state: State, place: Place) -> dict[str, str] | None:
    """Return the permalink of what a state is compared with, both names, and what gave way.

    All else stays, the seed of the noise too. What stands at a camera's own value is at the other
    camera's own; a pipeline that can't look for the other target gives way to one that can, which
    the note says. None where nothing is compared.
    """
    if state.compare == ALONE:
        return None
    kind, _, name = state.compare.partition(":")
    chosen: dict[str, Any] = {kind: name, "compare": ALONE}
    other, note = replace(state, **chosen), ""
    if kind == "tower":
        here, there = place.own(state.tower), place.own(name)
        kept = {n: there[n] for n, value in here.items() if getattr(state, n) == value}
        other = replace(other, **kept)
    able = place.able(name) if kind == "target" else ()
    if able and state.pipeline not in able:
        solver = state.pipeline.split("/")[1]
        like = next((one for one in able if one.split("/")[1] == solver), able[0])
        other = replace(other, pipeline=like)
        note = f"{state.pipeline} doesn't look for this target: {like} does."
    names = next(group for group in place.rivals.values() if state.compare in group)
    return {
        "query": other.permalink(),
        "own": names[f"{kind}:{getattr(state, kind)}"],
        "name": names[state.compare],
        "note": note,
    }
