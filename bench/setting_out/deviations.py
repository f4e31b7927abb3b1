"""Deviations that a bay's placements and angles may have before a limit breaks, one at a time."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from bench.setting_out.slack import Knob, Limits, Slack, knobs_of

# How far is looked, metres and radians: beyond that nobody builds.
SEARCH = {
    "offset": 0.5,
    "forward": 0.5,
    "height": 0.5,
    "spacing": 1.0,
    "standoff": 0.5,
    "yaw": math.radians(15.0),
    "pitch": math.radians(15.0),
    "roll": math.radians(30.0),
    "lean_along": math.radians(10.0),
    "lean_across": math.radians(10.0),
    "square": math.radians(10.0),
    "floor_along": math.radians(5.0),
    "floor_across": math.radians(5.0),
}
SCAN = 40  # first steps over the search's length; limits that open and close within one are missed
ROUNDS, PARTS = 3, 16  # of narrowing: 1/(40 · 16³) of the search, 3 um of half a metre
# What sheets round down to: what a tape shows, and a good digital level.
LENGTH_STEP, ANGLE_STEP = 1e-3, math.radians(0.01)

Judge = Callable[[Sequence[Mapping[Knob, float]]], Slack]


@dataclass(frozen=True)
class Allowance:
    """How far one thing may be off, everything else as planned.

    Attributes
    ----------
    knob : Knob
        What.
    minus, plus : float
        To either side, metres or radians, positive; the search's length where nothing broke.
    breaks_minus, breaks_plus : str
        The limit that breaks there; empty where none does within the search.
    """

    knob: Knob
    minus: float
    plus: float
    breaks_minus: str
    breaks_plus: str

    @property
    def least(self) -> float:
        """The smaller side."""
        return min(self.minus, self.plus)


@dataclass(frozen=True)
class Allowances:
    """Of a whole bay.

    Attributes
    ----------
    each : tuple of Allowance
        In the order of `bench.setting_out.slack.knobs_of`.
    broken : tuple of str
        Limits that the plan itself breaks. They are left out, or nothing would be allowed.
    """

    each: tuple[Allowance, ...]
    broken: tuple[str, ...]

    def of(self, where: str, name: str) -> Allowance:
        """Return one."""
        return next(a for a in self.each if a.knob == Knob(where, name))


def allowances(limits: Limits, knobs: Sequence[Knob] | None = None) -> Allowances:
    """Return how far each may be off.

    Parameters
    ----------
    limits : Limits
        Of the bay as planned.
    knobs : sequence of Knob, optional
        Those to look at; all by default.
    """
    plan = limits.slack([{}])
    kept = plan.values[0] >= 0.0

    def judge(offs: Sequence[Mapping[Knob, float]]) -> Slack:
        found = limits.slack(offs)
        names = tuple(n for n, keep in zip(found.names, kept, strict=True) if keep)
        return Slack(names, found.values[:, kept])

    each = []
    for knob in knobs_of(limits.bay) if knobs is None else knobs:
        minus, breaks_minus = _first_break(judge, knob, -1.0)
        plus, breaks_plus = _first_break(judge, knob, 1.0)
        each.append(Allowance(knob, minus, plus, breaks_minus, breaks_plus))
    broken = tuple(limit_words(n) for n, keep in zip(plan.names, kept, strict=True) if not keep)
    return Allowances(tuple(each), broken)


def limit_words(name: tuple[str, str]) -> str:
    """Return a limit's name in words."""
    return f"{name[0]} ({name[1]})"


def rounded_down(value: float, knob: Knob) -> float:
    """Return an allowance rounded down to what a tape or a level shows."""
    step = LENGTH_STEP if knob.is_length else ANGLE_STEP
    # a hair more, or 0.01 deg / 0.01 deg could fall short of 1
    return math.floor(value / step * (1.0 + 1e-12)) * step


def _first_break(judge: Judge, knob: Knob, sign: float) -> tuple[float, str]:
    """Return the largest deviation to one side up to which all holds, and what breaks beyond."""
    low, high = 0.0, SEARCH[knob.name]
    steps = SCAN
    name = ""
    for _ in range(1 + ROUNDS):
        at = np.linspace(low, high, steps + 1)[1:]
        found = judge([{knob: sign * float(amount)} for amount in at])
        bad = np.flatnonzero(np.any(found.values < 0.0, axis=1))
        if not len(bad):
            # only in the first round, or by rounding at a bracket's end
            return (high, name)
        first = int(bad[0])
        name = limit_words(found.names[int(np.argmin(found.values[first]))])
        low, high = (float(at[first - 1]) if first else low), float(at[first])
        steps = PARTS
    return low, name


def rows(found: Allowances) -> list[dict[str, object]]:
    """Return the allowances as rows of a table; lengths in mm, angles in degrees."""
    return [
        {
            "where": one.knob.where,
            "what": one.knob.name,
            "unit": one.knob.unit,
            "minus": one.knob.shown(one.minus),
            "plus": one.knob.shown(one.plus),
            "breaks_minus": one.breaks_minus or None,
            "breaks_plus": one.breaks_plus or None,
        }
        for one in found.each
    ]
