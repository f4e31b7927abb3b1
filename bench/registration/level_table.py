"""Tables of measured bar poses for finding level, and the level as a file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from bench.errors import ConfigError
from bench.registration.level import Level, Setting
from bench.registration.pose_rows import csv_text, pose_row, read_json, read_pose_rows
from bench.tables import refusal
from bench.typing import Array
from bench.units import shown

NEEDED = ("place", "reversed", "tower")
HEIGHT = "height_mm"
YES_NO = {"yes": True, "no": False}


def read_level_table(path: Path, length: float) -> tuple[Setting, ...]:
    """Return the settings of a CSV table with a row for each pose of a target of the bar.

    Rows of the same place, way round and tower belong to one setting: the bar turned about its
    long axis. height_mm is that of the bar's middle over a common datum, 0 where left out.

    Raises
    ------
    ConfigError
        It can't be read, has gaps, or a setting has one row only.
    """
    groups: dict[tuple[str, bool, str], list[Any]] = {}
    heights: dict[str, float] = {}
    for row in read_pose_rows(path, NEEDED, measures=(HEIGHT,)):
        names = row.names
        way = YES_NO.get(names["reversed"].lower())
        if way is None:
            raise row.refusal(f"reversed: {shown(names['reversed'])} must be yes or no")
        tower = names["tower"].lower()
        if tower not in ("left", "right"):
            raise row.refusal(f"tower: {shown(names['tower'])} must be left or right")
        height = 1e-3 * row.row.numbers.get(HEIGHT, 0.0)
        if heights.setdefault(names["place"], height) != height:
            raise row.refusal(
                f"{HEIGHT}: {1e3 * height:g} differs from the "
                f"{1e3 * heights[names['place']]:g} of place {shown(names['place'])} above"
            )
        groups.setdefault((names["place"], way, tower), []).append(row)
    for (place, way, tower), rows in groups.items():
        if len(rows) < 2:
            raise refusal(
                path,
                f"place {shown(place)}, {'' if way else 'not '}reversed, {tower} tower: one row; "
                "turning the bar about its long axis takes two or more",
            )
    return tuple(
        Setting(
            tower,
            place,
            way,
            heights[place],
            length,
            tuple(row.pose for row in rows),
            tuple(row.covariance for row in rows),
        )
        for (place, way, tower), rows in groups.items()
    )


def level_table(settings: Sequence[Setting]) -> str:
    """Return settings as such a table."""
    return csv_text(
        [
            pose_row(
                {
                    "place": s.place,
                    "reversed": "yes" if s.reversed else "no",
                    "tower": s.tower,
                    "height_mm": f"{1e3 * s.height:g}",
                },
                T,
                c,
            )
            for s in settings
            for T, c in zip(s.poses, s.covariances, strict=True)
        ]
    )


def level_facts(level: Level) -> dict[str, Any]:
    """Return a level as plain numbers, SI units and radians."""
    return {
        "found": "up against gravity" if level.kind == "level" else "the floor's normal",
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


def read_level(path: Path) -> tuple[Array, Array, str]:
    """Return the left tower's up (3,), its covariance (3, 3) and what was found, from level.json.

    Raises
    ------
    ConfigError
        The file can't be read or isn't one of 'sightbench level solve'.
    """
    content = read_json(path)
    try:
        left = content["towers"]["left"]
        up = np.array(left["up_camera"], dtype=np.float64).reshape(3)
        covariance = np.array(left["covariance"], dtype=np.float64).reshape(3, 3)
        found = str(content["found"])
        if not abs(float(np.linalg.norm(up)) - 1.0) < 1e-6:
            raise ValueError
    except (KeyError, TypeError, ValueError) as error:
        raise ConfigError(
            f"{path}: not a level.json of 'sightbench level solve' with the left tower's level"
        ) from error
    return up, covariance, found
