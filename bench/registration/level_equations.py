"""Equations for up from a bar's settings, and how each source of error enters them.

Equations and names are those of `bench.registration.level`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.geometry.uncertain import axes_change, point_response
from bench.solve.wheel_axis import wheel_axis
from bench.typing import Array

Kind = Literal["level", "floor"]
POSES, SLOPES, HEIGHTS, BAR, REGISTRATION, NOTHING = (
    "target poses",
    "reference across",
    "supports' heights",
    "the bar's own error",
    "registration",
    "nothing but the plan",
)


@dataclass(frozen=True)
class Reference:
    """What the bar is level by.

    Attributes
    ----------
    kind : {"level", "floor"}
        A spirit level on the bar, or the floor that the stands stand on: then the floor's
        normal is found, and nothing of gravity.
    slope : float
        Standard uncertainty of the axis's slope, radians: of a reading of the spirit level,
        at each setting; or of the floor and the supports, at each place.
    height : float
        Standard uncertainty of the bar's middle over the common datum at each place, metres.
    bar : float
        Standard uncertainty of the bar's own error, radians, for want of a reversal.
    """

    kind: Kind
    slope: float
    height: float
    bar: float


@dataclass(frozen=True, eq=False)
class Setting:
    """What one tower saw of the bar in one place, one way round.

    Attributes
    ----------
    tower : {"left", "right"}
        Who saw it; the left tower sees the bar's left end.
    place : str
        Settings of the same name share their supports.
    reversed : bool
        Whether the bar lay end for end.
    height : float
        Of the bar's middle above the datum as set up, metres; differences count.
    length : float
        Distance of the targets' centres, metres.
    poses : tuple of N Pose
        T_camera_target at each angle of turning, two at least.
    covariances : tuple of N (6, 6) float64
        As `bench.solve.covariance.pose_covariance` gives them.
    """

    tower: str
    place: str
    reversed: bool
    height: float
    length: float
    poses: tuple[Pose, ...]
    covariances: tuple[Array, ...]


@dataclass(frozen=True, eq=False)
class Row:
    """One setting's axis and place, in the frame of its unknowns."""

    setting: Setting
    frame: int
    axis: Array
    place: Array
    covariance: Array
    turn: Array | None  # (6, 6) d(δ, P)/d(registration), where it came through it


def row_of(setting: Setting, frames: Sequence[str], T_left_right: Pose | None) -> Row:
    """Return a setting's axis and place in the frame of its unknowns.

    Raises
    ------
    GeometryError
        The bar wasn't turned enough.
    """
    # the picture's right is the vehicle's left: towers face the vehicle
    try:
        found = wheel_axis(
            setting.poses, setting.covariances, np.array([1.0, 0.0, 0.0]), outboard=0.0
        )
    except GeometryError as error:
        way = "reversed" if setting.reversed else "not reversed"
        raise GeometryError(
            f"bar at {setting.place}, {way}, {setting.tower} tower: {error}"
        ) from error
    if T_left_right is None or setting.tower == "left":
        frame = 0 if T_left_right is not None else frames.index(setting.tower)
        return Row(setting, frame, found.axis, found.centre, found.covariance, None)
    rotation = T_left_right.rotation
    both = axes_change(rotation, rotation)
    # R exp(ω) turns the axis by R ω in the left frame
    turn = axes_change(rotation, rotation)
    turn[3:] = point_response(T_left_right, found.centre)
    return Row(
        setting,
        0,
        rotation @ found.axis,
        T_left_right @ found.centre,
        both @ found.covariance @ both.T,
        turn,
    )


def _way(setting: Setting) -> float:
    return -1.0 if setting.reversed else 1.0


def _end(setting: Setting) -> float:
    return 1.0 if setting.tower == "left" else -1.0


def sources_of(
    rows: Sequence[Row], reference: Reference, free: bool, registration: Array | None
) -> dict[str, tuple[float, Array]]:
    """Return by source its standard size and how it enters the two equations of each row."""
    slopes: dict[tuple[str, bool], int] = {}
    places: dict[str, int] = {}
    for row in rows:
        s = row.setting
        # a spirit level is read afresh when the bar is reversed; supports stay what they are
        key = (s.place, s.reversed and reference.kind == "level")
        slopes.setdefault(key, len(slopes))
        places.setdefault(s.place, len(places))
    slope = np.zeros((2 * len(rows), len(slopes)))
    middle = np.zeros((2 * len(rows), len(places)))
    bar = np.zeros((2 * len(rows), 1))
    for i, row in enumerate(rows):
        s = row.setting
        lever = _end(s) * 0.5 * s.length
        key = (s.place, s.reversed and reference.kind == "level")
        slope[2 * i : 2 * i + 2, slopes[key]] = 1.0, lever
        middle[2 * i + 1, places[s.place]] = 1.0
        bar[2 * i : 2 * i + 2, 0] = _way(s), _way(s) * lever
    found = {SLOPES: (reference.slope, slope), HEIGHTS: (reference.height, middle)}
    found[BAR] = (0.0 if free else reference.bar, bar)
    if registration is not None:
        root: Array = np.asarray(np.linalg.cholesky(registration))
        found[REGISTRATION] = (1.0, root)
    return found


def system_of(
    rows: Sequence[Row],
    ups: Sequence[Array],
    bases: Sequence[Array],
    free: bool,
    sources: Mapping[str, tuple[float, Array]],
) -> tuple[Array, Array, dict[str, Array]]:
    """Return the design over (δ, h, e), what is left to explain, and each source's covariance."""
    n, frames = len(rows), len(ups)
    design = np.zeros((2 * n, 3 * frames + int(free)))
    left, poses = np.zeros(2 * n), np.zeros((2 * n, 2 * n))
    tied = np.zeros((2 * n, 6))
    for i, row in enumerate(rows):
        up, basis, at = ups[row.frame], bases[row.frame], 2 * row.frame
        # n' = n + δ x n: n'·u = n·u + δ·(n x u)
        design[2 * i, at : at + 2] = -np.cross(up, row.axis) @ basis
        design[2 * i + 1, at : at + 2] = -np.cross(up, row.place) @ basis
        design[2 * i + 1, 2 * frames + row.frame] = 1.0
        left[2 * i] = up @ row.axis
        left[2 * i + 1] = up @ row.place - row.setting.height
        by = np.zeros((2, 6))
        by[0, :3] = np.cross(row.axis, up)
        by[1, 3:] = up
        poses[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = by @ row.covariance @ by.T
        if row.turn is not None:
            tied[2 * i : 2 * i + 2] = by @ row.turn
    if free:
        design[:, -1] = sources[BAR][1][:, 0]
    noise = {POSES: poses}
    for name, (size, entry) in sources.items():
        shape = tied @ entry if name == REGISTRATION else size * entry
        noise[name] = shape @ shape.T
    return design, left, noise
