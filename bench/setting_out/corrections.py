"""Corrections after which a bay as built keeps its limits again: one thing if one is enough."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from bench.scene.model import Bay
from bench.setting_out.deviations import SEARCH
from bench.setting_out.slack import ALL, Knob, Limits
from bench.setting_out.visible_deviations import AIM, HALVINGS
from bench.typing import Array, BoolArray

# What is easier to change comes first: the aim with a spanner, the height on the mast, where
# the vehicle stops, and last what takes new holes.
EFFORT: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("turn the camera", ("yaw", "pitch", "roll")),
    ("move the camera on its mast", ("height",)),
    ("let vehicles stop elsewhere", ("standoff",)),
    ("move the tower", ("offset", "forward")),
)
SCAN = 120  # steps to either side
COARSE = 20  # of them where what hides targets must be looked at in each
NARROWED = 30  # halvings of the step in which it starts to hold: 1e-11 of the search
MOST_MOVES = 4


@dataclass(frozen=True)
class Correction:
    """One thing to move, all else left.

    Attributes
    ----------
    knob : Knob
        What.
    least : float
        The smallest change that restores every limit, signed, metres or radians.
    most : float
        How far it may be changed in the same direction before a limit breaks again.
    effort : str
        What it takes, in words.
    """

    knob: Knob
    least: float
    most: float
    effort: str

    @property
    def middle(self) -> float:
        """The middle of what restores the limits, where there is most room for error."""
        return 0.5 * (self.least + self.most)


@dataclass(frozen=True)
class Advice:
    """What to move.

    Attributes
    ----------
    singles : tuple of Correction
        Each enough alone, the least effort first, then the smallest share of what is searched.
    together : tuple of (Knob, float)
        Where none is: several changes that restore the limits together; empty if none were
        found.
    nothing_new : bool
        Whether all that is broken the plan breaks too.
    """

    singles: tuple[Correction, ...]
    together: tuple[tuple[Knob, float], ...]
    nothing_new: bool = False


Hides = Callable[[Mapping[Knob, float]], bool]


def advise(limits: Limits, plan: Limits, hides: Hides | None = None) -> Advice:
    """Return what to move.

    Parameters
    ----------
    limits : Limits
        Of the bay as built.
    plan : Limits
        As planned; what the plan itself breaks needn't be restored.
    hides : callable, optional
        Whether moves hide a target that the plan shows; nothing is hidden when left out.
    """
    before = plan.slack([{}])
    kept_names = {n for n, v in zip(before.names, before.values[0], strict=True) if v >= 0.0}
    kept = np.array([name in kept_names for name in limits.slack([{}]).names])
    hidden = hides is not None and hides({})
    if not hidden and _worst(limits, kept, [{}])[0] >= 0.0:
        return Advice((), (), nothing_new=True)
    singles = [
        found
        for effort, names in EFFORT
        for knob in _knobs(limits.bay, names)
        for sign in (-1.0, 1.0)
        if (found := _single(limits, kept, knob, sign, effort, hides, hidden)) is not None
    ]
    order = [effort for effort, _ in EFFORT]
    singles.sort(key=lambda c: (order.index(c.effort), abs(c.least) / SEARCH[c.knob.name]))
    several = () if singles or hidden else _several(limits, kept)
    if hides is not None and several and hides(dict(several)):
        several = ()
    return Advice(tuple(singles), several)


def _knobs(bay: Bay, names: tuple[str, ...]) -> list[Knob]:
    if names == ("standoff",):
        return [Knob(ALL, "standoff")]
    return [Knob(tower.name, name) for tower in bay.towers for name in names]


def _worst(limits: Limits, kept: BoolArray, offs: list[dict[Knob, float]]) -> Array:
    """Return the least room (L,) of the limits that count."""
    worst: Array = np.min(limits.slack(offs).values[:, kept], axis=1)
    return worst


def _single(
    limits: Limits,
    kept: BoolArray,
    knob: Knob,
    sign: float,
    effort: str,
    hides: Hides | None,
    hidden: bool,
) -> Correction | None:
    """Return a correction in one direction; None where there is none.

    `hidden` tells whether the bay as built hides targets: then every step is looked at for that,
    which is slow, else what is found is.
    """
    if hidden and knob.name in AIM:
        return None

    def holds(amounts: Array) -> BoolArray:
        good = _worst(limits, kept, [{knob: float(a)} for a in amounts]) >= 0.0
        if hidden and hides is not None:
            good &= [
                bool(g) and not hides({knob: float(a)}) for g, a in zip(good, amounts, strict=True)
            ]
        return np.asarray(good)

    steps = sign * np.linspace(0.0, SEARCH[knob.name], (COARSE if hidden else SCAN) + 1)
    held = holds(steps)
    good = np.flatnonzero(held)
    if not len(good) or good[0] == 0:
        return None
    first = int(good[0])
    low, high = float(steps[first - 1]), float(steps[first])
    for _ in range(HALVINGS if hidden else NARROWED):
        middle = 0.5 * (low + high)
        if holds(np.array([middle]))[0]:
            high = middle
        else:
            low = middle
    run = first
    while run + 1 < len(held) and held[run + 1]:
        run += 1
    if hides is not None and knob.name not in AIM and hides({knob: high}):
        return None
    return Correction(knob, high, float(steps[run]) if run > first else high, effort)


def _several(limits: Limits, kept: BoolArray) -> tuple[tuple[Knob, float], ...]:
    """Return a few changes, each the one that helps most after those before it."""
    knobs = [k for _, names in EFFORT for k in _knobs(limits.bay, names)]
    moves: dict[Knob, float] = {}
    for _ in range(MOST_MOVES):
        room = float(_worst(limits, kept, [dict(moves)])[0])
        best: tuple[float, Knob | None, float] = (room, None, 0.0)
        for knob in knobs:
            reach = SEARCH[knob.name]
            amounts = moves.get(knob, 0.0) + np.linspace(-reach, reach, 2 * SCAN + 1)
            worst = _worst(limits, kept, [{**moves, knob: float(a)} for a in amounts])
            top = int(np.argmax(worst))
            if worst[top] > best[0] + 1e-9:
                best = (float(worst[top]), knob, float(amounts[top]))
        if best[1] is None:
            break
        moves[best[1]] = best[2]
        if best[0] >= 0.0:
            return tuple(moves.items())
    return ()
