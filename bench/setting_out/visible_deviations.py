"""Deviations held to what hides targets too: bodies, tyres, posts, parked vehicles."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from bench.scene.model import Bay, wheels_of_tower
from bench.setting_out.deviations import Allowance, Allowances, limit_words
from bench.setting_out.placements import placement_of, with_placements
from bench.setting_out.slack import ALL, Knob, moved
from bench.sighting.visibility import visibility

# Hiding depends on where a camera is, not on where it looks.
AIM = ("yaw", "pitch", "roll")
HALVINGS = 8  # of an allowance that hides a target: to less than half a per cent of it
VISIBLE = "visible"


def with_visibility(bay: Bay, single: Allowances) -> Allowances:
    """Return allowances, each cut to where every plate is still visible enough.

    Looked at is each allowance's end, and where a plate is hidden there, the way to it is halved
    down; a plate that is hidden half way alone isn't found.

    Parameters
    ----------
    bay : Bay
        As planned.
    single : Allowances
        Of the same bay, by `bench.setting_out.deviations.allowances`.
    """
    hidden = set(hidden_targets(bay, bay))
    each = []
    for one in single.each:
        if one.knob.name in AIM:
            each.append(one)
            continue
        minus, breaks_minus = _cut(bay, one.knob, -one.minus, one.breaks_minus, hidden)
        plus, breaks_plus = _cut(bay, one.knob, one.plus, one.breaks_plus, hidden)
        each.append(Allowance(one.knob, abs(minus), plus, breaks_minus, breaks_plus))
    broken = tuple(limit_words((VISIBLE, where)) for where in sorted(hidden))
    return Allowances(tuple(each), (*single.broken, *broken))


def _cut(bay: Bay, knob: Knob, end: float, breaks: str, before: set[str]) -> tuple[float, str]:
    """Return how far a deviation toward `end` keeps every plate visible, and what breaks."""

    def newly_hidden(amount: float) -> list[str]:
        return [w for w in hidden_targets(bay, deviated(bay, {knob: amount})) if w not in before]

    found = newly_hidden(end)
    if not found:
        return end, breaks
    low, high = 0.0, end
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        here = newly_hidden(middle)
        if here:
            high, found = middle, here
        else:
            low = middle
    return low, limit_words((VISIBLE, found[0]))


def deviated(bay: Bay, off: Mapping[Knob, float]) -> Bay:
    """Return a bay that is off its plan, as a bay."""
    further = off.get(Knob(ALL, "standoff"), 0.0)
    towers = {tower.name: placement_of(moved(bay, tower, off)) for tower in bay.towers}
    stations = tuple(replace(s, standoff=s.standoff + further) for s in bay.stations)
    return replace(
        with_placements(bay, towers), standoff=bay.standoff + further, stations=stations
    )


def hidden_targets(plan: Bay, bay: Bay) -> list[str]:
    """Return the targets that are hidden more than allowed, of the towers that aren't as planned.

    All of them, where the bay is the plan itself or its vehicles have moved.
    """
    everything = plan is bay or plan.standoff != bay.standoff
    found = []
    for before, tower in zip(plan.towers, bay.towers, strict=True):
        if not everything and before.placement == tower.placement:
            continue
        found += [
            f"{tower.name} tower, {wheel.vehicle} {wheel.name} at {wheel.station}"
            for wheel in wheels_of_tower(bay, tower)
            if visibility(bay, tower, wheel) < bay.siting.visible
        ]
    return found
