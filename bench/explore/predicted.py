"""The predicted map of a state: its best errors over range and turn, everything else as it is."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from bench.errors import BenchError
from bench.explore.bounds import Bound
from bench.explore.controls import AS_BUILT
from bench.explore.place import Place, job_of
from bench.explore.result import best_bound
from bench.explore.state import Problem, State, StateError
from bench.survey.setup import axle_ranges, request_of_bay

RANGES = 6
TURNS_DEG = (10.0, 25.0, 40.0, 55.0, 70.0)
BEYOND = (0.6, 1.6)  # of the bay's nearest and farthest range
DECIMALS = 4


def predicted_map(state: State, place: Place) -> dict[str, Any]:
    """Return, for a grid of ranges and turns, the error that the best pipeline keeps below.

    With the probability that the bay asks for, over its tolerance: at 1 and below it holds. Each
    cell is the bound that the page shows of that view, as built with what camera, print and
    plate allow; None where there is none, or it doesn't hold.

    Raises
    ------
    StateError
        A value is refused, or one view through this lens would take too long already.
    """
    optics = job_of(state, place).setting.imaging.optics
    if not optics.is_gaussian:
        why = "No predicted map: with an f-number every view takes a second; with 0 there is one."
        raise StateError(Problem("", why))
    request = request_of_bay(place.bay)
    ranges, sign = ranges_of(state, place), -1.0 if state.turn_deg < 0.0 else 1.0

    def cell(range_m: float, turn_deg: float) -> float | None:
        there = replace(state, range_m=range_m, turn_deg=sign * turn_deg)
        try:
            bound = best_bound(there, place).allowed
        except BenchError:
            return None
        return _over(bound, request.success, request.within_deg)

    what = "bound with what camera, print and plate allow" if state.bay == AS_BUILT else "bound"
    return {
        "ranges_m": list(ranges),
        "turns_deg": [sign * turn for turn in TURNS_DEG],
        "cells": [[cell(r, t) for r in ranges] for t in TURNS_DEG],
        "words": f"{100.0 * request.success:g} % of errors at the {what}, over "
        f"{request.within_deg:g} deg",
    }


def ranges_of(state: State, place: Place) -> tuple[float, ...]:
    """Return the ranges of the map: about the bay's own, and the state's."""
    own = [range_m for _, range_m in axle_ranges(place.bay, state.tower)]
    own = own or list(place.bay.survey.ranges_m)
    ends = (min(BEYOND[0] * min(own), state.range_m), max(BEYOND[1] * max(own), state.range_m))
    return tuple(float(round(r, DECIMALS)) for r in np.geomspace(*ends, RANGES))


def _over(bound: Bound | None, success: float, within_deg: float) -> float | None:
    if bound is None or not bound.holds:
        return None
    return bound.error_within(success) / within_deg
