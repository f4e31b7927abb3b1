"""Deviations of a bay as built: what is off, the way back in words, and shims for a tower."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bench.scene.model import Bay, Tower
from bench.scene.surroundings import Column
from bench.setting_out.as_built import differences
from bench.setting_out.as_built_file import Measured
from bench.setting_out.dimensions import anchors_of
from bench.setting_out.placements import base_centre
from bench.setting_out.slack import ALL, Knob

# What a tape and a good digital level show, as sheets round: less isn't said.
LEAST_LENGTH, LEAST_ANGLE = 0.5e-3, math.radians(0.005)
# A tower farther out of plumb isn't mended by shims, and not judged as one that stands; our own
# limit, no source: what the equipment maker and local codes ask for comes first.
MOST_LEAN = math.radians(1.0)
# Where a positive change leads, and a negative one, for whoever stands there.
WAYS = {
    "offset": ("to the vehicle's left", "to the vehicle's right"),
    "forward": ("away from the vehicle", "toward the vehicle"),
    "height": ("up", "down"),
    "yaw": ("to its left", "to its right"),
    "pitch": ("up", "down"),
    "roll": ("clockwise, seen from behind", "anticlockwise, seen from behind"),
    "standoff": ("farther from the towers", "nearer to the towers"),
}
WHAT = {
    "offset": "tower",
    "forward": "tower",
    "height": "camera",
    "yaw": "camera",
    "pitch": "camera",
    "roll": "camera",
}


@dataclass(frozen=True)
class Off:
    """One number that isn't as planned.

    Attributes
    ----------
    knob : Knob
        Which.
    by : float
        As built less planned, metres or radians.
    """

    knob: Knob
    by: float


def off_plan(plan: Bay, built: Bay) -> tuple[Off, ...]:
    """Return what is off, the largest share of what is told first, lengths and angles mixed."""
    found = [
        Off(Knob(tower, name), after - before)
        for tower, name, before, after in differences(plan, built)
    ]
    found.append(Off(Knob(ALL, "standoff"), built.standoff - plan.standoff))
    told = [one for one in found if abs(one.by) >= _least(one.knob)]
    return tuple(sorted(told, key=lambda one: -abs(one.by) / _least(one.knob)))


def off_words(one: Off) -> str:
    """Say what is off, by how much, and the way back."""
    ahead, back = WAYS[one.knob.name] if one.by > 0.0 else WAYS[one.knob.name][::-1]
    amount = size_words(one.knob, one.by)
    if one.knob.name == "standoff":
        return f"vehicles stop {amount} {ahead}; back to plan: {amount} {back}"
    verb = "set" if one.knob.is_length else "turned"
    return (
        f"{one.knob.where} {WHAT[one.knob.name]} {verb} {amount} {ahead} "
        f"({one.knob.name}); back to plan: {amount} {back}"
    )


def size_words(knob: Knob, value: float) -> str:
    """Return how large an amount is, to what a tape or a digital level shows."""
    return f"{abs(knob.shown(value)):.{0 if knob.is_length else 2}f} {knob.unit}"


def _least(knob: Knob) -> float:
    return LEAST_LENGTH if knob.is_length else LEAST_ANGLE


def lean_of(measured: Measured, tower: Tower) -> tuple[float, float]:
    """Return a tower's lean along and across, radians; 0 where it wasn't measured."""
    along, across = (
        measured.numbers.get(f"{tower.name}/lean_{way}", 0.0) for way in ("along", "across")
    )
    return along, across


def shims(tower: Tower, column: Column, along: float, across: float) -> dict[str, float]:
    """Return the shim under each corner of a base plate that brings its tower back to plumb.

    Parameters
    ----------
    tower : Tower
        Its corners are inner or outer by the centre line's side, front toward the vehicle.
    column : Column
        With its base plate.
    along, across : float
        Lean of the top, radians: away from the vehicle, and to the vehicle's left.

    Returns
    -------
    dict of str to float
        By corner, metres; one that stays on the floor has 0. The side to which the top leans is
        the low one.
    """
    x, y = base_centre(tower.placement, column)
    by_metre = (
        column.base_along / column.anchors_along * math.tan(along),
        column.base_across / column.anchors_across * math.tan(across),
    )
    raised = {
        anchor.name.replace("_", " "): (anchor.x - x) * by_metre[0] + (anchor.y - y) * by_metre[1]
        for anchor in anchors_of(tower.placement, column)
    }
    floor = min(raised.values())
    return {corner: value - floor for corner, value in raised.items()}


def shim_words(towers: Sequence[Tower], column: Column, measured: Measured) -> list[str]:
    """Say which towers lean, and the shims that mend it; corners as seen facing the towers."""
    lines = []
    for tower in towers:
        along, across = lean_of(measured, tower)
        if max(abs(along), abs(across)) >= LEAST_ANGLE:
            lines.append(lean_words(tower, column, along, across))
    return lines


def lean_words(tower: Tower, column: Column, along: float, across: float) -> str:
    """Say how a tower's top leans, and which shims under its base plate bring it upright."""
    leans = " and ".join(
        f"{math.degrees(abs(value)):.2f} deg {WAYS[name][0 if value > 0.0 else 1]}"
        for name, value in (("forward", along), ("offset", across))
        if abs(value) >= LEAST_ANGLE
    )
    if math.hypot(along, across) > MOST_LEAN:
        return (
            f"The {tower.name} tower's top leans {leans}, beyond "
            f"{math.degrees(MOST_LEAN):g} deg: not for shims. Keep clear of it, and have it "
            "set upright as its maker and local codes ask."
        )
    listed = ", ".join(
        f"{1e3 * value:.1f} mm {corner}"
        for corner, value in shims(tower, column, along, across).items()
        if value >= 0.05e-3
    )
    return (
        f"The {tower.name} tower's top leans {leans}. Shims under its base plate that bring "
        f"it upright: {listed} (inner: toward the centre line; front: toward the vehicle). "
        "Secure the tower before its anchors are eased."
    )
