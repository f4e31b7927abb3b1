"""Tables of measured wheel targets: rolling readings, and steering sweeps."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from bench.errors import GeometryError
from bench.registration.pose_rows import PoseRow, read_pose_rows, refuse_behind
from bench.solve.turning import Turning, fit_turning
from bench.solve.wheel_axis import wheel_axis
from bench.tables import refusal
from bench.typing import Array
from bench.units import shown
from bench.wheels.contradiction import contradiction
from bench.wheels.vehicle import MeasuredWheel

NEEDED = ("wheel",)
OPTIONAL = ("kind", "tower", "reading", "marker_id")
AXLES = ("front", "middle", "rear")
WHEELS = tuple(f"{axle} {side}" for axle in AXLES for side in ("left", "right"))
KINDS = ("roll", "steer")


@dataclass(frozen=True, eq=False)
class Directions:
    """Rough directions in a frame of measurement.

    Attributes
    ----------
    left, ahead, up : (3,) float64
        The vehicle's left, forward and up.
    """

    left: Array
    ahead: Array
    up: Array


# A table without towers is in a frame whose axes are the bay's.
BAY = Directions(np.eye(3)[1], np.eye(3)[0], np.eye(3)[2])


def read_wheel_table(path: Path) -> dict[str, tuple[PoseRow, ...]]:
    """Return the rows of a CSV table by wheel.

    Columns: wheel (front left, and so on), optionally kind (roll, the default, or steer), tower
    (left or right), reading (free) and marker_id (of the target), then pose and uncertainties as
    in `read_pose_rows`. Rows of a wheel are in the order of the readings; the last rolling one is
    that of rest.

    Raises
    ------
    ConfigError
        It can't be read, has gaps, an unknown wheel, or a wheel with one rolling reading.
    """
    groups: dict[str, list[PoseRow]] = {}
    for row in read_pose_rows(path, NEEDED, OPTIONAL):
        name = " ".join(row.names["wheel"].lower().split())
        if name not in WHEELS:
            near = difflib.get_close_matches(name, WHEELS, 1)
            hint = f"; did you mean {near[0]}?" if near else f"; known are {', '.join(WHEELS)}"
            raise row.refusal(f"wheel: {shown(row.names['wheel'])} is unknown{hint}")
        if kind_of(row) not in KINDS:
            raise row.refusal(f"kind: {shown(kind_of(row))} must be roll or steer")
        if tower_of(row) not in ("", "left", "right"):
            raise row.refusal(f"tower: {shown(tower_of(row))} must be left or right")
        if not (row.names.get("marker_id", "") or "0").isdecimal():
            raise row.refusal(f"marker_id: {shown(row.names['marker_id'])} must be a whole number")
        if tower_of(row):
            refuse_behind(row, tower_of(row))
        groups.setdefault(name, []).append(row)
    for name, rows in groups.items():
        rolled = sum(kind_of(row) == "roll" for row in rows)
        if rolled < 2:
            raise refusal(
                path,
                f"{name}: {rolled} rolling reading{'' if rolled == 1 else 's'}; run-out "
                "compensation takes two or more positions of the rolling wheel",
            )
        if len({tower_of(row) for row in rows}) > 1:
            raise refusal(path, f"{name}: rows of more than one tower")
    if len({bool(tower_of(rows[0])) for rows in groups.values()}) > 1:
        raise refusal(path, "column tower is filled for some wheels only: fill it in for all")
    for axle in AXLES:
        sides = [s for s in ("left", "right") if f"{axle} {s}" in groups]
        if len(sides) == 1:
            missing = "right" if sides == ["left"] else "left"
            raise refusal(path, f"{axle} {missing} is missing; axles need both wheels")
    ordered = sorted(groups, key=WHEELS.index)
    return {name: tuple(groups[name]) for name in ordered}


def carried_markers(path: Path, groups: dict[str, tuple[PoseRow, ...]]) -> dict[str, int]:
    """Return the marker that each wheel's rows name; wheels whose rows name none are left out.

    Raises
    ------
    ConfigError
        Rows of one wheel name several.
    """
    found = {}
    for name, rows in groups.items():
        ids = sorted({int(row.names["marker_id"]) for row in rows if row.names.get("marker_id")})
        if len(ids) > 1:
            listed = " and ".join(map(str, ids))
            raise refusal(path, f"{name}: its rows name markers {listed}; a wheel carries one")
        if ids:
            found[name] = ids[0]
    return found


def kind_of(row: PoseRow) -> str:
    """Return ``"roll"`` or ``"steer"``."""
    return row.names.get("kind", "").lower() or "roll"


def tower_of(row: PoseRow) -> str:
    """Return ``"left"``, ``"right"`` or nothing."""
    return row.names.get("tower", "").lower()


def measured_wheels(
    path: Path,
    groups: dict[str, tuple[PoseRow, ...]],
    directions: Callable[[str], Directions],
    outboard: float,
    in_place: bool = False,
    play: float = 0.0,
) -> tuple[MeasuredWheel, ...]:
    """Return each wheel's axis, centre and steering axis in its tower's frame.

    Parameters
    ----------
    directions : callable
        Rough directions in the frame of a tower, by its name.
    outboard : float
        Of targets from the wheels' middles, metres.
    in_place : bool
        Whether wheels were turned in place, on a lift, instead of rolled.
    play : float
        Of bearings, radians.

    Raises
    ------
    ConfigError
        A wheel rolled or was steered too little, or an axle stands where it can't; named.
    """
    found = []
    for name, rows in groups.items():
        axle, side = name.rsplit(" ", 1)
        tower = tower_of(rows[0])
        rough = directions(tower)
        rolled = [row for row in rows if kind_of(row) == "roll"]
        steered = [row for row in rows if kind_of(row) == "steer"]
        try:
            wheel = wheel_axis(
                [row.pose for row in rolled],
                [row.covariance for row in rolled],
                rough.left if side == "left" else -rough.left,
                outboard,
                None if in_place else rough.up,
                play,
            )
            steering = _steering(steered, rough.up, play)
        except GeometryError as error:
            raise refusal(path, f"{name}: {error}") from error
        found.append(MeasuredWheel(axle, side, tower, wheel, steering))
    _refuse_reversed(path, found, directions)
    return tuple(found)


def contradictions(
    groups: dict[str, tuple[PoseRow, ...]],
    wheels: Sequence[MeasuredWheel],
    directions: Callable[[str], Directions],
    play: float = 0.0,
) -> list[str]:
    """Say what speaks against wheels' rolling readings, as `measured_wheels` took them."""
    found = []
    for one in wheels:
        rolled = [row for row in groups[one.name] if kind_of(row) == "roll"]
        left = directions(one.tower).left
        outward = left if one.side == "left" else -left
        found.append(contradiction(one.name, rolled, one.wheel, outward, play))
    return [words for words in found if words]


def _refuse_reversed(
    path: Path, wheels: Sequence[MeasuredWheel], directions: Callable[[str], Directions]
) -> None:
    """Refuse axles whose order along the bay isn't that of their names."""
    for ahead, behind in _neighbours(wheels):
        way = directions(ahead.tower).ahead
        if not float((ahead.wheel.centre - behind.wheel.centre) @ way) > 0.0:
            raise refusal(
                path,
                f"{ahead.name} stands behind {behind.name}: names of axles are swapped, "
                "or the vehicle doesn't stand with its nose to the towers",
            )


def _neighbours(
    wheels: Sequence[MeasuredWheel],
) -> list[tuple[MeasuredWheel, MeasuredWheel]]:
    """Return neighbours along each side that one tower measured, the front one first."""
    found = []
    for side in ("left", "right"):
        along = [w for w in wheels if w.side == side]
        found += [(a, b) for a, b in pairwise(along) if a.tower == b.tower]
    return found


def _steering(rows: Sequence[PoseRow], up: Array, play: float) -> Turning | None:
    if not rows:
        return None
    if len(rows) < 2:
        raise GeometryError("a steering sweep takes two or more steer angles, got 1")
    rotations = [row.pose.rotation for row in rows]
    return fit_turning(rotations, [row.covariance[:3, :3] for row in rows], up, play)


def needs_registration(groups: dict[str, tuple[PoseRow, ...]]) -> bool:
    """Tell whether the right tower measured any wheel."""
    return any(tower_of(rows[0]) == "right" for rows in groups.values())


def camera_directions(R_bay_camera: Array) -> Directions:
    """Return the bay's directions in a camera's frame."""
    return Directions(*(np.asarray(R_bay_camera[i]) for i in (1, 0, 2)))
