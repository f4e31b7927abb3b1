"""The verdict whether a bay as built keeps its limits, with the measurement's uncertainty."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from bench.conformity import decide
from bench.scene.model import Bay, Tolerance
from bench.setting_out.as_built import as_built
from bench.setting_out.as_built_file import Measured
from bench.setting_out.off_plan import MOST_LEAN, Off, lean_of, off_plan
from bench.setting_out.slack import UNCERTAINTY, UNCERTAINTY_SCALE, Knob, Limits, Slack, limits_of
from bench.setting_out.visible_deviations import deviated, hidden_targets
from bench.sighting.prediction import COVERAGE, Predictor
from bench.sighting.sighting import sightings
from bench.siting.constraints import SCALES
from bench.typing import Array

State = Literal["holds", "fails", "undecided"]
STATES: dict[str, State] = {"inside": "holds", "outside": "fails", "undecided": "undecided"}
PLUMB = "plumb"
UNITS = {
    "margin": ("plate widths", 1.0),
    "least tilt": ("deg", math.degrees(SCALES["least tilt"])),
    PLUMB: ("deg", math.degrees(SCALES["least tilt"])),
    "greatest tilt": ("deg", math.degrees(SCALES["greatest tilt"])),
    "visible": ("% of the plate", 100.0 * SCALES["visible"]),
    "focus": ("px", SCALES["focus"]),
    UNCERTAINTY: ("% of the tolerance", 100.0 * UNCERTAINTY_SCALE),
}
FLOOR = ("mm", 1000.0 * SCALES["length"])  # of everything else


@dataclass(frozen=True)
class Check:
    """One limit of the bay as built.

    Attributes
    ----------
    limit, where : str
        Which, and of what.
    room, planned : float
        What is left as built and as planned, in `unit`; negative where it is broken.
    u : float
        Standard uncertainty of the room from the measurement, in `unit`.
    unit : str
        Such as ``"plate widths"``.
    state : {"holds", "fails", "undecided"}
        By the bay's decision rule.
    relative : float
        The room in the scales of `bench.siting.constraints`, to compare limits by; infinite where
        nothing hides a plate.
    probability : float
        That it is kept; NaN where it wasn't asked.
    chance : str
        The same in words, where the decision rule asks it.
    """

    limit: str
    where: str
    room: float
    planned: float
    u: float
    unit: str
    state: State
    relative: float
    probability: float = math.nan
    chance: str = ""

    @property
    def words(self) -> str:
        """In words with numbers."""
        if not math.isfinite(self.room):
            return f"{self.limit}, {self.where}: can't be measured from there"
        sure = f" ± {COVERAGE * self.u:.2g} (k = 2)" if self.u > 0.0 else ""
        room = f"{abs(self.room):.2f}{sure} {self.unit}"
        said = f"{room} to spare" if self.room >= 0.0 else f"lacks {room}"
        return f"{self.limit}, {self.where}: {said}{self.chance}"


@dataclass(frozen=True, eq=False)
class AsBuiltVerdict:
    """Of a bay as built.

    Attributes
    ----------
    plan, built : Bay
        As planned and as built.
    limits : Limits
        Of the bay as built.
    checks : tuple of Check
        Every limit, the least room first within each state: fails, undecided, holds.
    """

    plan: Bay
    built: Bay
    limits: Limits
    checks: tuple[Check, ...]

    @property
    def off(self) -> tuple[Off, ...]:
        """What stands off the plan."""
        return off_plan(self.plan, self.built)

    @property
    def state(self) -> State:
        """Fails if any limit does, else undecided if any is."""
        states: set[State] = {check.state for check in self.checks}
        if "fails" in states:
            return "fails"
        return "undecided" if "undecided" in states else "holds"

    @property
    def broken(self) -> tuple[Check, ...]:
        """What doesn't hold for sure."""
        return tuple(check for check in self.checks if check.state != "holds")


def judge(
    bay: Bay, measured: Measured, predictor: Predictor, visible: bool = True
) -> AsBuiltVerdict:
    """Return the verdict on a bay as it was measured.

    The measurement's uncertainty is carried to every limit's room to first order (JCGM 100,
    5.1.2), each independent input moved by its standard uncertainty.

    Parameters
    ----------
    bay : Bay
        As planned.
    measured : Measured
        What was measured.
    predictor : Predictor
        Of the uncertainty that is held against the tolerance.
    visible : bool
        Whether what hides targets counts.

    Raises
    ------
    ConfigError
        See `bench.setting_out.as_built.as_built`.
    """
    built = as_built(bay, measured)
    limits = limits_of(built, predictor)
    changed = [
        as_built(bay, measured, {k: v + step.get(k, 0.0) for k, v in measured.numbers.items()})
        for step in measured.directions()
    ]
    found = _slack(limits, [built, *changed])
    planned = limits_of(bay, predictor).slack([{}])
    room = found.values[0]
    # without end where a target lies behind the camera, however little is moved
    ended = np.where(np.isfinite(found.values), found.values, 0.0)
    u = np.sqrt(np.sum((ended[1:] - ended[0]) ** 2, axis=0))
    held = bay.tolerance
    checks = _checks(found.names, room, _matching(planned, found.names), u, held)
    checks += _plumb(bay, measured)
    if visible:
        checks += _visible(bay, built, predictor)
    order = {"fails": 0, "undecided": 1, "holds": 2}
    return AsBuiltVerdict(
        bay, built, limits, tuple(sorted(checks, key=lambda c: (order[c.state], c.relative)))
    )


def hides(verdict: AsBuiltVerdict) -> Callable[[Mapping[Knob, float]], bool]:
    """Return whether moves of a bay as built hide a target that the plan shows."""
    before = set(hidden_targets(verdict.plan, verdict.plan))

    def moved_hides(moves: Mapping[Knob, float]) -> bool:
        # against the plan, so that towers that stand as planned aren't looked at
        moved = deviated(verdict.built, moves)
        return any(name not in before for name in hidden_targets(verdict.plan, moved))

    return moved_hides


def _slack(limits: Limits, bays: Sequence[Bay]) -> Slack:
    """Return the slack (L, K) of bays that differ from the limits' by placements and standoff."""
    poses = {
        tower.name: [bay.towers[i].T_bay_camera for bay in bays]
        for i, tower in enumerate(limits.bay.towers)
    }
    further = np.array([bay.standoff - limits.bay.standoff for bay in bays])
    return limits.slack_at(poses, further)


def _matching(slacks: Slack, names: tuple[tuple[str, str], ...]) -> Array:
    """Return the first slacks of the named limits; NaN where there is none."""
    by_name = dict(zip(slacks.names, slacks.values[0].tolist(), strict=True))
    return np.array([by_name.get(name, math.nan) for name in names])


def _checks(
    names: tuple[tuple[str, str], ...], room: Array, planned: Array, u: Array, held: Tolerance
) -> list[Check]:
    found = []
    for (limit, where), value, before, spread in zip(names, room, planned, u, strict=True):
        unit, scale = UNITS.get(limit, FLOOR)
        decision = decide(float(value), float(spread), 0.0, math.inf, held.rule, held.confidence)
        found.append(
            Check(
                limit,
                where,
                float(value) * scale,
                float(before) * scale,
                float(spread) * scale,
                unit,
                STATES[decision.state],
                float(value),
                decision.probability,
                decision.chance_words,
            )
        )
    return found


def _plumb(bay: Bay, measured: Measured) -> list[Check]:
    """Return how far from plumb each tower may still go whose lean was measured."""
    found = []
    for tower in bay.towers:
        keys = [f"{tower.name}/lean_{way}" for way in ("along", "across")]
        if not any(key in measured.numbers for key in keys):
            continue
        lean = math.hypot(*lean_of(measured, tower))
        u = max(measured.u.get(key, 0.0) for key in keys)
        found += _checks(
            ((PLUMB, f"{tower.name} tower"),),
            np.array([(MOST_LEAN - lean) / SCALES["least tilt"]]),
            np.array([MOST_LEAN / SCALES["least tilt"]]),
            np.array([u / SCALES["least tilt"]]),
            bay.tolerance,
        )
    return found


def _visible(bay: Bay, built: Bay, predictor: Predictor) -> list[Check]:
    """Return how much of each plate is free, which is computed once, without uncertainty."""
    before = {
        (one.tower, one.name): one.visible for one in sightings(bay, predictor, visible=True)
    }
    names, slacks, planned = [], [], []
    for one in sightings(built, predictor, visible=True):
        names.append(("visible", f"{one.tower} tower, {one.name}"))
        slacks.append((one.visible - built.siting.visible) / SCALES["visible"])
        earlier = before.get((one.tower, one.name), math.nan)
        planned.append((earlier - built.siting.visible) / SCALES["visible"])
    none = np.zeros(len(slacks))
    found = _checks(tuple(names), np.array(slacks), np.array(planned), none, bay.tolerance)
    # a plate that nothing hides can't be farther from its limit, so it isn't near to it
    most = (1.0 - built.siting.visible) / SCALES["visible"]
    return [replace(c, relative=math.inf) if c.relative >= most - 1e-9 else c for c in found]
