"""From a bay to a job: the plan that its file asks for, changed by what the caller asks for."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from bench.errors import ConfigError
from bench.scene.model import Bay, Tower, wheels_of_tower
from bench.survey.plan import Plan
from bench.survey.setting import Setting
from bench.survey.verdicts import Request
from bench.survey.worker import Job


def job_of_bay(bay: Bay, tower_name: str | None = None, **changes: Any) -> Job:
    """Return the job that a bay's survey section describes.

    Parameters
    ----------
    bay : Bay
        Describes camera, target and survey.
    tower_name : str, optional
        Whose camera; by default the first tower's.
    **changes
        Fields of `Plan` to set otherwise; None leaves the bay's.

    Raises
    ------
    ConfigError
        There is no such tower, or the plan can't be carried out.
    """
    tower = find_tower(bay, tower_name)
    setting = Setting(tower.camera, tower.imaging, bay.target)
    survey = bay.survey
    values: dict[str, Any] = {
        "ranges_m": survey.ranges_m,
        "turns_deg": survey.turns_deg,
        "pitches_deg": survey.pitches_deg,
        "positions": survey.pixels or (None,),
        "roll_spread_deg": survey.roll_deg,
        "tilt_spread_deg": survey.jitter_deg,
        "range_spread": survey.jitter_range,
        "trials": survey.trials,
        "pipelines": survey.pipelines,
        "seed": survey.seed,
        "tower": tower.name,
    }
    asked = {name: value for name, value in changes.items() if value is not None}
    return Job(Plan(**(values | setting.digests() | asked)), setting)


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
