"""Tables of measured bar poses for finding level."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from bench.registration.level_equations import Setting
from bench.registration.pose_rows import csv_text, pose_row, read_pose_rows, refuse_behind
from bench.tables import refusal
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
        refuse_behind(row, tower)
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
