"""From a state of the bay to everything that the page shows of it: pure, as `aim` judges it."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import Any

from bench.errors import BenchError, ConfigError
from bench.explore import bay_drawing
from bench.explore.bay_state import BayState, Knob, MovableBay, written
from bench.explore.state import Problem, StateError
from bench.scene.checks import Misfit, misfits
from bench.scene.model import Bay
from bench.scene.solids import bay_solids
from bench.sighting.sighting import Sighting
from bench.siting.aim import Aim, failures_of, judge_aim
from bench.siting.constraints import Constraint, constraints_of
from bench.siting.tower_layout import Layout, layout_of
from bench.siting.words import aim_words
from bench.tables import finite_or_none
from bench.units import figures, format_angle, format_length


def compute_bay(state: BayState, movable: MovableBay, exact: bool = True) -> dict[str, Any]:
    """Return what the page shows of a state, as JSON can hold it.

    Parameters
    ----------
    state : BayState
        The state.
    movable : MovableBay
        Whose.
    exact : bool
        Whether uncertainties are those that `aim` and `site --evaluate` give; otherwise they
        may come from a table, where there is one, and ``exact`` says whether they do.

    Raises
    ------
    StateError
        A value is refused.
    """
    bay = movable.bay(state)
    quick = None if exact else movable.quick(bay)
    try:
        aim = judge_aim(bay, quick or movable.predictor)
        vehicle, station = movable.vehicle(state), movable.station(state)
        solids = bay_solids(bay, vehicle, station)
    except BenchError as error:
        raise StateError(Problem("", f"{error}.")) from error
    kept = constraints_of_aim(aim)
    every = tuple(misfits(bay))
    here = (state.vehicle, state.station)
    found = [misfit for misfit in every if misfit.stands in (None, here)]
    shown = [
        (one, own)
        for one, own in zip(aim.sightings, aim.constraints, strict=True)
        if (one.wheel.vehicle, one.wheel.station) == here
    ]
    breaks = _breaks(aim, shown)
    broken = sum(not c.holds for c in kept)
    return {
        "permalink": state.permalink(),
        "changes": dict(state.changes),
        "exact": aim.predictor is movable.predictor,
        "verdict": _verdict(aim, broken, len(every)),
        "worst": finite_or_none(aim.worst.prediction.share(bay.tolerance)),
        "lines": [*aim_words(aim)[:3], *_layout_lines(bay)],
        "knobs": [_knob(k, state) for k in movable.knobs(bay, state.vehicle)],
        "misfits": [{"words": f"{m.words}.", "key": m.key} for m in found],
        "breaks": breaks,
        "elsewhere": _elsewhere(aim, here, every),
        "constraints": [
            {"words": c.words(), "holds": c.holds} for c in sorted(kept, key=lambda c: c.room)
        ],
        "targets": [_target(one, bay) for one, _ in shown],
        "scene": bay_drawing.scene(bay, vehicle, station, solids, found),
        "handles": bay_drawing.handles(bay, movable, state),
        "pictures": [
            bay_drawing.picture(bay, tower, aim, state, solids, breaks) for tower in bay.towers
        ],
    }


def constraints_of_aim(aim: Aim) -> tuple[Constraint, ...]:
    """Return everything that siting judges; of towers that aren't two, what each sees."""
    try:
        return constraints_of(aim.bay, aim.sightings)
    except ConfigError:
        return tuple(c for kept in aim.constraints for c in kept)


def _verdict(aim: Aim, broken: int, misfits_: int) -> dict[str, str]:
    decision = aim.worst.prediction.decision(aim.bay.tolerance)
    share = aim.worst.prediction.share(aim.bay.tolerance)
    faults = []
    if misfits_:
        faults.append(f"{misfits_} collision{'s' if misfits_ > 1 else ''}")
    if broken:
        faults.append(f"{broken} limit{'s' if broken > 1 else ''} broken")
    measured = f"worst uncertainty {decision.state} tolerance, {figures(share)} of it"
    if math.isinf(share):
        measured = f"{aim.worst.tower} tower can't measure {aim.worst.name}"
    words = f"{' and '.join(faults) or 'Nothing collides, all limits kept'}; {measured}"
    good = not faults and decision.state == "inside" and not aim.failures
    return {"state": "inside" if good else "outside", "words": words[:1].upper() + words[1:]}


def _layout_lines(bay: Bay) -> list[str]:
    try:
        return [f"Layout: {layout_words(layout_of(bay))}."]
    except ConfigError:
        return []  # of more towers than two


def layout_words(layout: Layout) -> str:
    """Return a layout in words, lengths in metres and feet."""
    lengths = ", ".join(
        f"{name} {format_length(value)} ({format_length(value, 'ft-in')})"
        for name in ("spacing", "height", "standoff")
        for value in (getattr(layout, name),)
    )
    focal = layout.focal_length
    lens = "" if focal is None else f", lens {format_length(focal, 'mm')}"
    return (
        f"{lengths}, yaw {format_angle(layout.yaw)} inward, "
        f"pitch {format_angle(layout.pitch)}{lens}"
    )


def _knob(knob: Knob, state: BayState) -> dict[str, Any]:
    angle = knob.kind == "angle"
    return {
        "key": knob.key,
        "label": knob.label,
        "group": knob.group,
        "kind": "lens" if knob.group == "Lens" else knob.kind,
        "value": math.degrees(knob.value) if angle else knob.value,
        "text": written(knob, knob.value),
        "feet": "" if angle or knob.group == "Lens" else format_length(knob.value, "ft-in"),
        "choices": (
            [math.degrees(c) if angle else c for c in knob.choices]
            if len(knob.choices) > 1
            else []
        ),
        "changed": any(key == knob.key for key, _ in state.changes),
    }


def _breaks(
    aim: Aim, shown: list[tuple[Sighting, tuple[Constraint, ...]]]
) -> list[dict[str, Any]]:
    """Return the shown targets that break something, numbered as drawings mark them."""
    found: list[dict[str, Any]] = []
    for one, kept in shown:
        words = failures_of(one, kept, aim.bay)
        if not words:
            continue
        found.append(
            {
                "number": len(found) + 1,
                "tower": one.tower,
                "wheel": one.wheel.name,
                "at": [float(v) for v in one.wheel.T_bay_target.translation],
                "words": "; ".join(words),
            }
        )
    return found


def _elsewhere(aim: Aim, here: tuple[str, str], every: Sequence[Misfit]) -> list[dict[str, Any]]:
    """Return how many targets and collisions break something with other vehicles, elsewhere."""
    counts = Counter(m.stands for m in every if m.stands is not None and m.stands != here)
    for one, kept in zip(aim.sightings, aim.constraints, strict=True):
        where = (one.wheel.vehicle, one.wheel.station)
        if where != here and failures_of(one, kept, aim.bay):
            counts[where] += 1
    return [{"vehicle": v, "station": s, "count": n} for (v, s), n in sorted(counts.items())]


def _target(one: Sighting, bay: Bay) -> dict[str, Any]:
    return {
        "tower": one.tower,
        "wheel": one.wheel.name,
        "range_m": one.range,
        "tilt_deg": math.degrees(one.tilt),
        "margin": one.margin if one.imaged else None,
        "visible": None if math.isnan(one.visible) else one.visible,
        "share": finite_or_none(one.prediction.share(bay.tolerance)) if one.imaged else None,
    }
