"""A level as a result that other commands read: level.json."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from pydantic import Field

from bench.envelope import Kind, Result, read_result
from bench.errors import ConfigError
from bench.registration.level import Level
from bench.solve.covariance import covariance_of_rows
from bench.strict import Section
from bench.typing import Array

GRAVITY, FLOOR = "up against gravity", "the floor's normal"
# Of a unit vector's length: what rounding of its nine digits or more leaves.
LENGTH_TOLERANCE = 1e-6
Row = list[float]


class TowerLevel(Section):
    """Which way is up for a tower's camera."""

    up_camera: Row = Field(min_length=3, max_length=3)
    covariance: list[Row]
    covariance_of: str
    shares: dict[str, list[Row]]

    @property
    def up(self) -> Array:
        """The unit vector (3,) in the camera's frame."""
        return np.array(self.up_camera)


class LevelValue(Section):
    """A level: up, or the floor's normal, for each tower that found it."""

    found: str
    towers: dict[str, TowerLevel]
    bar_error_rad: float | None
    bar_error_sigma_rad: float | None
    chi_square: float
    degrees: int

    @property
    def is_gravity(self) -> bool:
        """Whether it is against gravity rather than the floor."""
        return self.found == GRAVITY


LEVEL = Kind("level", "level.json", "level solve", LevelValue)


def level_value(level: Level) -> dict[str, Any]:
    """Return a level as plain numbers, SI units and radians."""
    return {
        "found": GRAVITY if level.kind == "level" else FLOOR,
        "towers": {
            up.tower: {
                "up_camera": up.direction.tolist(),
                "covariance": up.covariance.tolist(),
                "covariance_of": "rotation vector of up about the camera's axes, rad",
                "shares": {name: share.tolist() for name, share in up.shares.items()},
            }
            for up in level.ups
        },
        "bar_error_rad": level.bar_error,
        "bar_error_sigma_rad": level.bar_error_sigma,
        "chi_square": level.chi2,
        "degrees": level.dof,
    }


def read_level(place: Path) -> Result[LevelValue]:
    """Return a solved level, which has the left tower's.

    Raises
    ------
    ConfigError
        There is none, it is damaged, or its numbers can't be a level.
    """
    result = read_result(place, LEVEL)
    if "left" not in result.value.towers:
        raise ConfigError(f"{result.path}: towers: has no level of the left tower")
    for name, tower in result.value.towers.items():
        where = f"{result.path}: towers.{name}"
        if abs(float(np.linalg.norm(tower.up)) - 1.0) > LENGTH_TOLERANCE:
            raise ConfigError(f"{where}.up_camera: must be a unit vector")
        # a turn about up itself leaves up as it is
        covariance_of_rows(tower.covariance, 3, f"{where}.covariance", singular=True)
    return result
