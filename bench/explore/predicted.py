"""Predicted errors of views: a map over range and turn, a curve over any one control."""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from functools import lru_cache
from itertools import chain, pairwise, product
from pathlib import Path
from typing import Any

import numpy as np

from bench.errors import BenchError, ConfigError, GeometryError
from bench.explore.bounds import Best, best_of
from bench.explore.controls import AS_BUILT, TRACED
from bench.explore.place import Place, job_of
from bench.explore.result import best_bound, seen
from bench.explore.state import Problem, State, StateError
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.optics import MIN_SIGMA_PX, Optics, aperture_at, lens_otf
from bench.imaging.picture import Region
from bench.scene.model import Bay
from bench.sighting.map_ratio import MapRatio, read_map_ratio, unlike
from bench.solve.bounds import corner_bound, image_bound
from bench.solve.response import target_points
from bench.survey.plan import grid_tilt_deg
from bench.survey.predicted_map import between
from bench.survey.run_file import read_run_file
from bench.survey.setting import Setting
from bench.survey.setup import axle_ranges, request_of_bay
from bench.typing import Array

RANGES = 12
TURNS_DEG = tuple(float(turn) for turn in range(5, 76, 10))
# Of them those that have the image's own bound, beside all that are so small that it takes 1 ms.
OWN_RANGES, OWN_TURNS = [0, 2, 4, 7, 9, 11], [0, 2, 5, 7]
SMALL_PX = 20_000
BEYOND = (0.6, 1.6)  # of the bay's nearest and farthest range
DECIMALS = 4
FREQUENCIES = np.linspace(0.0, 5.0, 2001)  # cycles a pixel; beyond, no pixel tells
PICTURES = 9  # places along a curve that pictures are made at


def read_surveyed(directory: Path, bay: Bay) -> dict[str, MapRatio]:
    """Return what a finished map of a bay measured: errors over the image's bound, by pipeline.

    Raises
    ------
    ConfigError, RunError
        It can't be read, no pipeline of it has ratios, or it was made for something else.
    """
    found: dict[str, MapRatio] = {}
    reasons: list[BenchError] = []
    for name in read_run_file(directory).value.plan.get("pipelines", ()):
        try:
            found[name] = read_map_ratio(directory, name, "image")
        except ConfigError as error:  # of this pipeline; another may have enough
            reasons.append(error)
    if not found:
        raise reasons[0] if reasons else ConfigError(f"--map: {directory} names no pipelines")
    differing = unlike(next(iter(found.values())), bay)
    if differing:
        raise ConfigError(f"--map: {directory} was made for another {', '.join(differing)}")
    return found


def predicted_map(state: State, place: Place) -> dict[str, Any]:
    """Return, for a grid of ranges and turns, the error that stays unexceeded, over tolerance.

    With the probability that the bay asks for: at 1 and below it holds. Of the state's pipeline
    where a finished map has it, else of the best there can be; None where there is none, or the
    bound doesn't hold. A quarter of the views, and all small ones, have the image's own bound;
    the others that of its corners, by what the image's is of it between those: of the shipped
    bay's target, smaller, blurred or aside too, within 2 % of their own, half of them 0.01 %.

    Raises
    ------
    StateError
        A value is refused.
    """
    job_of(state, place)
    request = request_of_bay(place.bay)
    ranges, sign = ranges_of(state, place), -1.0 if state.turn_deg < 0.0 else 1.0
    views = [
        [replace(state, range_m=r, turn_deg=sign * turn) for r in ranges] for turn in TURNS_DEG
    ]
    errors = _predicted_errors(views, place)
    return {
        "ranges_m": list(ranges),
        "turns_deg": [sign * turn for turn in TURNS_DEG],
        "cells": [[None if e is None else e / request.within_deg for e in row] for row in errors],
        "surveyed": bool(place.surveyed),  # then another pipeline is another map
        "words": _map_words(state, place, list(chain.from_iterable(views))),
    }


def predicted_error(state: State, place: Place) -> float | None:
    """Return the angle, degrees, that the share of errors asked for is predicted to keep below.

    None where the view can't be shown, or its bound doesn't hold.
    """
    try:
        best = best_bound(_as_gaussian(state, place), place, _ratio(state, place)[0])
    except BenchError:
        return None
    return _error_within(best, place)


def _error_within(best: Best, place: Place) -> float | None:
    if best.allowed is None or not best.allowed.holds:
        return None
    return best.allowed.error_within(request_of_bay(place.bay).success)


def _predicted_errors(views: list[list[State]], place: Place) -> list[list[float | None]]:
    """Return `predicted_error` of views (T, R), the image's bound between some as the corners'."""
    ranges, turns = np.arange(float(RANGES)), np.arange(float(len(TURNS_DEG)))
    logs = np.full((len(OWN_RANGES), len(OWN_TURNS), 6), np.nan)
    corners = [[_by_corners(view, place) for view in row] for row in views]
    for j, k in product(range(len(OWN_RANGES)), range(len(OWN_TURNS))):
        found = corners[OWN_TURNS[k]][OWN_RANGES[j]]
        if found is not None:
            (T, setting, region, _), by_corners = found
            with suppress(BenchError, np.linalg.LinAlgError):
                image = image_bound(
                    setting.target.drawing, T, setting.camera, setting.imaging, region
                )
                logs[j, k] = 0.5 * np.log(np.diag(image) / np.diag(by_corners))
    errors: list[list[float | None]] = [[None] * RANGES for _ in views]
    try:
        factors = between(ranges[OWN_RANGES], turns[OWN_TURNS], logs)
    except GeometryError:
        return errors
    for i, j in product(range(len(views)), range(RANGES)):
        found = corners[i][j]
        if found is not None:
            (T, setting, region, response), by_corners = found
            bound: Array | None = None  # the image's own
            if region.width * region.height > SMALL_PX:
                factor = factors([[float(j), float(i)]])[0]
                bound = by_corners * np.outer(factor, factor)
            ratio = _ratio(views[i][j], place)[0]
            best = best_of(T, setting, region, response, ratio, bound)
            errors[i][j] = _error_within(best, place)
    return errors


def _by_corners(
    view: State, place: Place
) -> tuple[tuple[Pose, Setting, Region, Array | None], Array] | None:
    """Return how a view is seen, and the bound (6, 6) that its corners of 1 px allow, if any."""
    try:
        how = seen(_as_gaussian(view, place), place)
        T, setting, *_ = how
        return how, corner_bound(target_points(setting.target), T, setting.camera, 1.0)
    except (BenchError, np.linalg.LinAlgError):
        return None


def _as_gaussian(state: State, place: Place) -> State:
    """Return a state whose Gaussian blur tells as much as its aperture, focus and motion do.

    White noise leaves of an edge's place the information ∫ LSF², by Parseval ∫ OTF² dν over
    frequencies across it: 1 / (2 √π σ) of a Gaussian. Of both directions the mean. The exact
    bound of one view takes a second; errors by this one came within 5 % of it.
    """
    if not _slow(state):
        return state
    setting = job_of(state, place).setting
    blur = _blur_as_wide(setting.imaging.optics, setting.camera, state.range_m)
    return state.with_gaussian(max(MIN_SIGMA_PX, blur))


@lru_cache(maxsize=256)  # a map's views at one range share it
def _blur_as_wide(optics: Optics, camera: Camera, range_m: float) -> float:
    aperture = aperture_at(optics, camera, range_m)
    nu, none = FREQUENCIES, np.zeros(1)
    told = [
        np.trapezoid(lens_otf(nu_u, nu_v, optics, aperture) ** 2, nu)
        for nu_u, nu_v in ((nu, none), (none, nu))
    ]
    return 1.0 / (4.0 * math.sqrt(math.pi) * float(np.mean(told)))  # of half the frequencies


def curve(state: State, name: str, place: Place) -> dict[str, Any]:
    """Return predicted errors over one control, and where pictures are to be made.

    Raises
    ------
    StateError
        There is no such control, or a value of the state is refused.
    """
    control = next((one for one in TRACED if one.name == name), None)
    if control is None:
        raise StateError(Problem("", f"No curve over '{name[:60]}'."))
    job_of(state, place)
    request = request_of_bay(place.bay)
    at = control.about(getattr(state, name))
    views: list[dict[str, Any]] = [{name: value} for value in at]
    errors = [predicted_error(replace(state, **view), place) for view in views]
    unit = f" {control.unit}" if control.unit else ""
    lead = "At best " if _surveyed(state, place) is None else ""
    return {
        "at": at,
        "errors_deg": errors,
        "pictures_at": at[:: max(1, round(len(at) / PICTURES))],
        "in_ratio": control.in_ratio,
        "axis": control.label + (f",{unit}" if unit else ""),
        "tolerance_deg": request.within_deg,
        "words": f"{lead}{100.0 * request.success:g} % of errors keep below the line, by "
        f"{_basis(state, place)}. {_holding(at, errors, request.within_deg, unit)}",
    }


def ranges_of(state: State, place: Place) -> tuple[float, ...]:
    """Return the ranges of the map: about the bay's own, and the state's."""
    own = [range_m for _, range_m in axle_ranges(place.bay, state.tower)]
    own = own or list(place.bay.survey.ranges_m)
    ends = (min(BEYOND[0] * min(own), state.range_m), max(BEYOND[1] * max(own), state.range_m))
    return tuple(float(round(r, DECIMALS)) for r in np.geomspace(*ends, RANGES))


def _ratio(state: State, place: Place) -> tuple[float, bool]:
    """Return error over bound in a view as surveyed, and whether that is the cells' own."""
    surveyed = _surveyed(state, place)
    if surveyed is None:
        return 1.0, True
    tilt = math.radians(grid_tilt_deg(state.turn_deg, state.pitch_deg))
    ratios, measured = surveyed.grid.at(np.array(state.range_m), np.array(tilt))
    return float(ratios[0]), bool(measured)


def _surveyed(state: State, place: Place) -> MapRatio | None:
    """Return what was surveyed of a state's pipeline on the bay's own target."""
    same = (state.target, state.plate_mm) == (place.default.target, place.default.plate_mm)
    return place.surveyed.get(state.pipeline) if same else None


def _basis(state: State, place: Place) -> str:
    """Say what a prediction stands on, and what it knows nothing of."""
    return f"{_known(state, place)}{_left_out(state)}"


def _left_out(state: State) -> str:
    """Say which of a picture's faults a prediction leaves out."""
    built = state.bay == AS_BUILT
    soiled = built and state.dirt > 0.0 and state.dirt_depth > 0.0
    left = ["light", "paper"] * built + ["dirt"] * soiled
    left += ["a reflection"] * (state.reflection > 0.0)
    listed = " and ".join([", ".join(left[:-1]), left[-1]] if left[1:] else left)
    words = f" (without what {listed} add{'' if left[1:] else 's'})" if left else ""
    return words + (", aperture and motion as a Gaussian blur as wide" if _slow(state) else "")


def _slow(state: State) -> bool:
    """Tell whether a view's exact bound takes a second: its lens's blur isn't Gaussian."""
    return bool(state.f_number or state.motion_right_px or state.motion_down_px)


def _known(state: State, place: Place) -> str:
    own = " and what camera, print and plate allow" if state.bay == AS_BUILT else ""
    surveyed = _surveyed(state, place)
    if surveyed is not None:
        changed = any(
            getattr(state, name) != value
            for name, value in place.own(state.tower).items()
            if name not in ("across", "down")
        )
        return (
            f"the bound times what {state.pipeline} showed in {surveyed.source}, "
            f"n = {surveyed.n} or more a cell{own}"
            + ("; surveyed with the bay's own light, blur and noise" if changed else "")
        )
    if place.surveyed:
        source = next(iter(place.surveyed.values())).source
        return f"the bare bound{own}, as {source} has nothing of this pipeline on this target"
    return f"the bound{own}"


def _map_words(state: State, place: Place, views: Sequence[State]) -> str:
    request, surveyed = request_of_bay(place.bay), _surveyed(state, place)
    asked = f"{100.0 * request.success:g} % of errors within {request.within_deg:g} deg"
    what = "at best it can hold, orange: no pipeline can"
    beyond = sum(not _ratio(view, place)[1] for view in views)
    if surveyed is not None:
        what = "it should hold, orange: it shouldn't"
    nearest = f"; {beyond} of {len(views)} views take the nearest cell's" if beyond else ""
    return (
        f"Blue: {what}; grey: too square on to tell. {asked}, by {_basis(state, place)}{nearest}"
    )


def _holding(
    at: Sequence[float], errors: Sequence[float | None], tolerance: float, unit: str
) -> str:
    """Say between which values the predicted errors are within a tolerance."""
    known = [(x, math.log(e / tolerance)) for x, e in zip(at, errors, strict=True) if e]
    if len(known) < 2:
        return "No line here: nothing to see, or too square on to tell"
    edges = [known[0][0]] if known[0][1] <= 0.0 else []
    for (before, was), (x, over) in pairwise(known):
        if (was <= 0.0) != (over <= 0.0):
            edges.append(before + (x - before) * was / (was - over))
    edges += [known[-1][0]] * (len(edges) % 2)
    if not edges:
        return f"Nowhere within {tolerance:g} deg"
    spans = [
        f"from {_short(a)} to {_short(b)}{unit}"
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]
    return f"Within {tolerance:g} deg {' and '.join(spans)}"


def _short(value: float) -> str:
    return f"{float(f'{value:.3g}'):g}"
