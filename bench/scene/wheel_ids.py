"""Marker ids by wheel: the target that each wheel carries, and what can be told by it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, replace
from difflib import get_close_matches
from itertools import count
from typing import TYPE_CHECKING

from bench.errors import ConfigError
from bench.scene.bar import Bar
from bench.scene.vehicle import Vehicle
from bench.targets.design import Design, build_target
from bench.targets.target import Target
from bench.units import shown

if TYPE_CHECKING:
    from bench.scene.model import Bay

SIDES = ("left", "right")
# Which field of a design says which markers it has.
FIRST = ("marker_id", "first_id")


def wheel_targets(
    design: Design, ids: Mapping[str, int], vehicles: Sequence[Vehicle], bar: Bar
) -> tuple[tuple[str, Target], ...]:
    """Return the target of each wheel by its name: the bay's own design with the wheel's id.

    Of a board the id is its first marker's.

    Raises
    ------
    ConfigError
        A wheel isn't any vehicle's, one has no id, markers repeat or are the bar's, or the design
        has no markers.
    TargetError
        The dictionary has no such id.
    """
    own = [name for name in FIRST if name in {field.name for field in fields(design)}]
    if not own:
        raise ConfigError("a target without markers has no ids: its copies look alike")
    names = [f"{a.name} {s}" for v in vehicles for a in v.axles for s in SIDES]
    wheels = tuple(dict.fromkeys(names))
    for name in ids:
        if name not in wheels:
            close = get_close_matches(name, wheels, n=1)
            told = f"did you mean '{close[0]}'?" if close else f"there are {', '.join(wheels)}"
            raise ConfigError(f"no vehicle has a wheel {shown(name)}; {told}")
    missing = [name for name in wheels if name not in ids]
    if missing:
        raise ConfigError(f"{missing[0]} has no id; every wheel needs one, or none")
    found = {
        name: build_target(replace(design, **{own[0]: ids[name]}))  # type: ignore[arg-type]
        for name in wheels
    }
    taken = {
        (bar.target(end).dictionary, marker): f"end {end} of the bar"
        for end in "AB"
        for marker in bar.target(end).markers
    }
    for name, target in found.items():
        for marker in target.markers:
            other = taken.setdefault((target.dictionary, marker), name)
            if other != name:
                raise ConfigError(
                    f"{name} and {other} both carry marker {marker}; the first free id is "
                    f"{_free(taken, found.values(), target)}"
                )
    return tuple(found.items())


def _free(
    taken: Iterable[tuple[str | None, int]], wheels: Iterable[Target], target: Target
) -> int:
    """Return the least id with which a target would repeat no marker of bar or wheels."""
    used = {marker for dictionary, marker in taken if dictionary == target.dictionary}
    used.update(marker for wheel in wheels for marker in wheel.markers)
    size = len(target.markers)
    return next(first for first in count() if used.isdisjoint(range(first, first + size)))


def labelled(bay: Bay) -> tuple[Target, ...]:
    """Return the targets to print: the bay's own, or each wheel's with its wheel in the name."""
    own = tuple(replace(t, name=f"{wheel}: {t.name}") for wheel, t in bay.wheel_targets)
    return own or (bay.target,)


def marker_id(bay: Bay, wheel: str) -> int | None:
    """Return the id by which a wheel's target is told, a board's first; None without ids."""
    return min(bay.target_of(wheel).markers) if bay.wheel_targets else None


def whose(bay: Bay, marker: int) -> str | None:
    """Return the wheel whose target has this marker; None where it is no wheel's."""
    owners = (name for name, target in bay.wheel_targets if marker in target.markers)
    return next(owners, None)


def cannot_tell(bay: Bay) -> str:
    """Say that wheels' targets look alike; empty where ids tell them apart."""
    if bay.wheel_targets:
        return ""
    return (
        f"Every wheel carries {bay.target.name}: targets can't be told apart, so that swapped "
        "ones aren't found; [wheel_ids] in the bay file gives each wheel its own."
    )


def id_words(bay: Bay) -> str:
    """Return which wheel carries which id, in a sentence."""
    listed = ", ".join(f"{name} {min(target.markers)}" for name, target in bay.wheel_targets)
    return f"Marker ids by wheel: {listed}." if listed else cannot_tell(bay)


def swap_words(bay: Bay, carried: Mapping[str, int]) -> list[str]:
    """Say which wheels carry another's target.

    Parameters
    ----------
    carried : mapping of str to int
        The marker that was seen on each wheel.
    """
    lines = []
    for wheel, marker in carried.items():
        owner = whose(bay, marker)
        if owner == wheel:
            continue
        if owner is None:
            lines.append(f"{wheel} carries marker {marker}, which is no wheel's.")
            continue
        lines.append(
            f"{wheel} carries {owner}'s target, marker {marker}; its own is "
            f"{marker_id(bay, wheel)}."
        )
    return lines
