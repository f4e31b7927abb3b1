"""Reliability of a level: which faults on site its rows contradict, and what hidden ones cost.

Internal and external reliability as `bench.registration.reliability` has them; the check is
`level solve`'s own, chi-square of all rows together.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from bench.geometry.pose import Pose
from bench.registration.bar_views import T_left_right_of
from bench.registration.level import Level, equations
from bench.registration.level_equations import Setting
from bench.registration.level_plan import LevelPlan, level_of_plan, settings_of
from bench.registration.reliability import BEND, SLIPS, WORTH_A_WARNING, noncentrality
from bench.scene.model import Bay
from bench.scene.tower_pair import tower_pair
from bench.typing import Array

# Level below which `level solve` says that rows contradict each other.
REFUTED = 0.001
HEIGHT = 3e-3  # a seat's height read wrong, metres; our own choice, no source


@dataclass(frozen=True)
class LevelFault:
    """What a fault of a stated size does to a level.

    Attributes
    ----------
    words : str
        What it is.
    least : float
        Share of that size from which `level solve` finds it with `POWER`; infinite where never.
    cost : float
        What it costs of camber's tolerance, found or not.
    """

    words: str
    least: float
    cost: float

    @property
    def is_hidden(self) -> bool:
        """Whether it stays unseen, as often as not found with the chosen chance."""
        return self.least > 1.0

    @property
    def is_warned_of(self) -> bool:
        """Whether it stays hidden and costs more than a third of the tolerance."""
        return self.is_hidden and self.cost > WORTH_A_WARNING


def level_faults(bay: Bay, plan: LevelPlan) -> tuple[LevelFault, ...]:
    """Return what may go wrong while level is found by a plan, and whether it shows.

    Of each kind the fault that costs most among those that stay hidden, else the one that costs
    most. A misread turn of the bar has no part in it: the axis comes from the pictures.
    """
    settings = settings_of(bay, plan)
    transform = T_left_right_of(bay) if plan.registered else None
    level = level_of_plan(bay, plan)
    before = equations(settings, level.linear, transform)

    def effect(words: str, changed: list[Setting]) -> LevelFault:
        return _fault(bay, level, words, equations(changed, level.linear, transform) - before)

    def each(change: Callable[[Setting], Setting]) -> list[list[Setting]]:
        return [
            [change(s) if k == at else s for k, s in enumerate(settings)]
            for at in range(len(settings))
        ]

    found: list[list[LevelFault]] = []
    for slip in SLIPS:
        ways = slip * np.vstack((np.eye(3), -np.eye(3)))
        words = f"a target that slips by {1e3 * slip:g} mm between turns"
        found.append(
            [effect(words, one) for way in ways for one in each(lambda s, w=way: _slipped(s, w))]  # type: ignore[misc]
        )
    found.append(
        [
            effect(f"a height wrong by {1e3 * HEIGHT:g} mm", _raised(settings, place))
            for place in dict.fromkeys(s.place for s in settings)
        ]
    )
    signs = np.array([1.0 if s.tower == "left" else -1.0 for s in settings])
    bent = np.zeros(len(before))
    # ends that tilt opposite ways turn about axes that do
    bent[::2] = BEND * signs
    found.append([_fault(bay, level, f"a bar that bends by {math.degrees(BEND):g} deg", bent)])
    if plan.reversal:
        # a bar noted the wrong way round has twice its own error, at the size that is assumed
        swapped = []
        for place, way in dict.fromkeys((s.place, s.reversed) for s in settings):
            at = np.array([float((s.place, s.reversed) == (place, way)) for s in settings])
            change = np.zeros(len(before))
            change[::2] = 2.0 * plan.bar_sigma * at
            change[1::2] = 2.0 * plan.bar_sigma * at * signs * 0.5 * bay.bar.length
            swapped.append(_fault(bay, level, "a bar noted the wrong way round", change))
        found.append(swapped)
    return tuple(max(kind, key=lambda f: (f.is_hidden, f.cost)) for kind in found)


def level_fault_words(faults: tuple[LevelFault, ...]) -> list[str]:
    """Say what shows and what doesn't, and warn of what doesn't and costs."""
    lines = []
    for one in faults:
        cost = f"{100.0 * one.cost:.0f} % of camber's tolerance"
        shows = "may stay hidden" if one.is_hidden else "shows (4 times in 5)"
        if one.is_hidden and one.cost < 0.005:
            lines.append(f"{one.words} goes unseen only where camber doesn't feel it")
            continue
        start = "warning: " if one.is_warned_of else ""
        lines.append(f"{start}{one.words} {shows}; it costs {cost} at most")
    return lines


def _fault(bay: Bay, level: Level, words: str, change: Array) -> LevelFault:
    shown = float(change @ level.linear.rest @ change)
    size = float(change @ change)
    bound = noncentrality(REFUTED, max(level.dof, 1))
    never = level.dof < 1 or shown <= 1e-12 * max(size, 1e-300) * float(
        np.abs(level.linear.rest).max()
    )
    least = math.inf if never else math.sqrt(bound / shown)
    left, _ = tower_pair(bay)
    turned = left.T_bay_camera.rotation @ level.linear.turns @ change
    return LevelFault(words, least, abs(float(turned[0])) / bay.tolerance.camber)


def _slipped(setting: Setting, way: Array) -> Setting:
    *first, last = setting.poses
    return replace(setting, poses=(*first, last @ Pose(np.eye(3), way)))


def _raised(settings: tuple[Setting, ...], place: str) -> list[Setting]:
    return [replace(s, height=s.height + HEIGHT) if s.place == place else s for s in settings]
