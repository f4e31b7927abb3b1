"""From a bay to a job: the plan that its file asks for, changed by what the caller asks for."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from bench.built.draws import OneBay
from bench.built.one_bay import one_bay_from, one_bay_text
from bench.built.sizes import sizes_of
from bench.errors import ConfigError
from bench.scene.facts import sight
from bench.scene.model import Bay, Tower, wheels_of_tower
from bench.solve.response import CameraErrors
from bench.survey.plan import WHEELS, Plan
from bench.survey.setting import Setting
from bench.survey.verdicts import Request
from bench.survey.worker import Job


def setting_of_bay(
    bay: Bay,
    tower: Tower,
    as_built: bool,
    errors: CameraErrors | None = None,
    one: OneBay | None = None,
) -> Setting:
    """Return what a tower's pictures are made from; see `bench.built.sizes.sizes_of`."""
    built = sizes_of(bay, tower, errors, one) if as_built else None
    return Setting(tower.camera, tower.imaging, bay.target, built)


def setting_of_plan(bay: Bay, tower: Tower, plan: Plan) -> Setting:
    """Return what a plan's pictures are made from, if the bay is still the plan's."""
    one = one_bay_from(plan.one) if plan.one else None
    return setting_of_bay(bay, tower, bool(plan.imperfections), one=one)


def job_of_bay(
    bay: Bay,
    tower_name: str | None = None,
    *,
    as_built: bool = False,
    one: OneBay | None = None,
    errors: CameraErrors | None = None,
    **changes: Any,
) -> Job:
    """Return the job that a bay's survey section describes.

    Parameters
    ----------
    bay : Bay
        Describes camera, target and survey.
    tower_name : str, optional
        Whose camera; by default the first tower's.
    as_built : bool
        Whether pictures have the bay's imperfections and targets stand where its wheels are
        seen, if any are and unless the survey section or `changes` give positions; by default
        noise alone, on the optical axis.
    errors, one : CameraErrors, OneBay, optional
        Of the camera, and the one bay of all pictures, see `setting_of_bay`.
    **changes
        Fields of `Plan` to set otherwise; None leaves the bay's.

    Raises
    ------
    ConfigError
        There is no such tower, or the plan can't be carried out.
    """
    tower = find_tower(bay, tower_name)
    setting = setting_of_bay(bay, tower, as_built, errors, one)
    survey, places = bay.survey, wheel_places(bay, tower)
    values: dict[str, Any] = {
        "ranges_m": survey.ranges_m,
        "turns_deg": survey.turns_deg,
        "pitches_deg": survey.pitches_deg,
        "positions": survey.pixels or ((WHEELS,) if as_built and places else (None,)),
        "roll_spread_deg": survey.roll_deg,
        "tilt_spread_deg": survey.jitter_deg,
        "range_spread": survey.jitter_range,
        "trials": survey.trials,
        "pipelines": survey.pipelines,
        "seed": survey.seed,
        "tower": tower.name,
    }
    asked = {name: value for name, value in changes.items() if value is not None}
    if one is not None:
        values["one"] = one_bay_text(one)
    if WHEELS in (values | asked)["positions"]:
        values["wheels"] = places
    return Job(Plan(**(values | setting.digests() | asked)), setting)


def wheel_places(bay: Bay, tower: Tower) -> tuple[tuple[float, float, float], ...]:
    """Return range, metres, and place in the frame of a tower's wheels that are wholly in it."""
    seen = (sight(bay, tower, wheel) for wheel in wheels_of_tower(bay, tower))
    return tuple(sorted((one.range_m, *one.place) for one in seen if one.place and one.whole))


def find_tower(bay: Bay, name: str | None) -> Tower:
    """Return a bay's tower by name; the first one without a name.

    Raises
    ------
    ConfigError
        There is none of that name; the message lists those there are.
    """
    if name is None:
        return bay.towers[0]
    for tower in bay.towers:
        if tower.name == name:
            return tower
    there = ", ".join(tower.name for tower in bay.towers)
    raise ConfigError(f"tower: the bay has no tower {name!r}; it has {there}")


def request_of_bay(bay: Bay) -> Request:
    """Return the tolerance of a bay as what limits must satisfy."""
    tolerance = bay.tolerance
    within_deg = float(f"{math.degrees(tolerance.within):.12g}")  # as it was written
    return Request(within_deg, tolerance.success, tolerance.confidence)


def axle_ranges(bay: Bay, tower_name: str | None = None) -> tuple[tuple[str, float], ...]:
    """Return name and range, metres, of the axles that a tower looks at, nearest first.

    Targets where vehicles stand at the bay's first station.
    """
    tower = find_tower(bay, tower_name)
    eye = tower.T_bay_camera.translation
    found = {
        f"{wheel.vehicle} {wheel.axle}": float(
            np.linalg.norm(wheel.T_bay_target.translation - eye)
        )
        for wheel in wheels_of_tower(bay, tower)
        if wheel.station == bay.stations[0].name
    }
    return tuple(sorted(found.items(), key=lambda item: item[1]))
