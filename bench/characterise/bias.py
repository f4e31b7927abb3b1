"""Bias without a reference: a bar that mustn't change, moves that are known, in pictures.

Whatever a bar does, the pose of its second target in the frame of its first must not change.
Scatter beyond what both poses claim, and dependence on where in the picture the bar is, is bias
that repeats of one view can't show; so is a turn or a shift of a target that isn't the known one.
A bar's calibrated length speaks of scale: focal length and printed size.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy

from bench.cameras.measuring import same_marker
from bench.characterise.checks import Check, State
from bench.characterise.known import KnownCamera
from bench.characterise.shots import Setup, read_frame
from bench.detect.observation import Observation
from bench.errors import ConfigError, PictureError
from bench.geometry.camera import project_camera
from bench.geometry.pose import Pose
from bench.geometry.rotation import log_rotation
from bench.imaging.picture import Picture
from bench.solve.default_pipeline import is_photometric
from bench.tables import Row, numbers, read_table, texts
from bench.targets.target import Target
from bench.typing import Array
from bench.units import length

LEAST_PLACES = 5
# Of a false alarm: one check among them all, and all known lengths and turns together.
P_SHOWN, ALPHA = 0.001, 0.005
# Of a known length or turn: where the limits are wider than so much of it, agreement says nothing.
TELLS = 0.2
CALIBRATE = "calibrate the camera anew (sightbench intrinsics), and check print scale and flatness"
SIZES = (0.0, 1e5)
COLUMNS = (
    *texts("first", "second"),
    *numbers("turn_deg", "u_turn_deg", "shift_mm", "u_shift_mm", optional=True, within=SIZES),
)


@dataclass(frozen=True, eq=False)
class Seen:
    """A target's pose in one picture, and its covariance as solvers claim it."""

    pose: Pose
    covariance: Array


@dataclass(frozen=True, eq=False)
class BarView:
    """Both targets in one picture; `place` (2,) is the bar's middle, -1 to 1 from edge to edge."""

    first: Seen
    second: Seen
    place: Array


@dataclass(frozen=True)
class Known:
    """A length or an angle and its standard uncertainty, metres or radians."""

    value: float
    u: float


def bar_length_of(text: str) -> Known:
    """Return a length and its standard uncertainty, metres, of "800 mm +- 0.1 mm"."""
    value, mark, u = text.replace("±", "+-").partition("+-")
    if not mark:
        raise ConfigError(f"--bar-length: must be like '800 mm +- 0.1 mm', got '{text}'")
    try:
        found = Known(length(value.strip()), length(u.strip()))
    except ValueError as error:
        raise ConfigError(f"--bar-length: {error}") from error
    if not (found.value > 0.0 and found.u > 0.0):
        raise ConfigError(f"--bar-length: both must be above 0, got '{text}'")
    return found


def bar_in_pictures(
    paths: Sequence[Path], known: KnownCamera, second: int, setup: Setup, length: Known | None
) -> list[Check]:
    """Return what a bar with the target and its like of another id shows.

    Raises
    ------
    TargetError, ConfigError, PictureError
        The target isn't a single marker, or has that id itself; too few pictures show both.
    """
    other = same_marker(setup.target, second)
    if set(other.markers) == set(setup.target.markers):
        raise ConfigError(f"--second: {second} is the bay's own marker")
    views = []
    half = 0.5 * np.array([known.camera.width, known.camera.height])
    for path in paths:
        picture = read_frame(path, known.camera, known.sensor.bit_depth)
        first, end = (_seen(picture, known, target, setup) for target in (setup.target, other))
        if first is not None and end is not None:
            middle = 0.5 * (first.pose.translation + end.pose.translation)
            place = project_camera(middle[None, :], known.camera)[0]
            views.append(BarView(first, end, (place - half) / half))
    if len(views) < LEAST_PLACES:
        raise PictureError(
            f"--rigid: both markers are found in {len(views)} pictures; {LEAST_PLACES} are needed"
        )
    return bar_checks(views, length)


def bar_checks(views: Sequence[BarView], length: Known | None = None) -> list[Check]:
    """Return whether a bar's length and its targets' relative rotation change.

    `length`, between the targets' centres, is calibrated.
    """
    relative = [view.first.pose.inverse() @ view.second.pose for view in views]
    distance = np.array([float(np.linalg.norm(pose.translation)) for pose in relative])
    u = np.array([_u_shift(view.first, view.second) for view in views])
    middle = relative[len(relative) // 2].rotation
    turns = np.array([log_rotation(middle.T @ pose.rotation) for pose in relative])
    both = [np.diag(view.first.covariance + view.second.covariance)[:3] for view in views]
    u_turns, places = np.sqrt(both), np.array([view.place for view in views])
    checks = [_chi_square("bar: its length between pictures", distance, u, places)]
    for k, name in enumerate(("pitch", "turn", "roll")):
        what = f"bar: relative {name} between pictures"
        checks.append(_chi_square(what, turns[:, k], u_turns[:, k], places))
    if length is not None:
        weight = 1.0 / u**2
        mean = Known(float(weight @ distance / np.sum(weight)), float(np.sum(weight)) ** -0.5)
        what = "bar: its length less the calibrated one"
        checks.append(agreement(what, mean, length, 1e3, "mm"))
    return checks


def known_moves(table: Path, known: KnownCamera, setup: Setup) -> list[Check]:
    """Return whether a target moved between pictures as a table (CSV) says that it did.

    Its columns are first, second (pictures, beside the table), and turn_deg, u_turn_deg, shift_mm
    and u_shift_mm of the target's centre as far as they are known.

    Raises
    ------
    ConfigError, PictureError
        The table can't be used; a picture can't be read, or doesn't show the target.
    """
    rows = read_table(table, COLUMNS)
    asked = [_known_of(row) for row in rows]
    among = sum(one is not None for pair in asked for one in pair)
    cache: dict[str, Seen] = {}
    checks = []
    for row, pair in zip(rows, asked, strict=True):
        names = row.texts["first"], row.texts["second"]
        for name in names:
            if name not in cache:
                path = table.parent / name
                picture = read_frame(path, known.camera, known.sensor.bit_depth)
                seen = _seen(picture, known, setup.target, setup)
                if seen is None:
                    raise PictureError(f"{path}: {setup.target.name} isn't found in it")
                cache[name] = seen
        found = moved(*(cache[name] for name in names))
        kinds = (("turned", math.degrees(1.0), "deg"), ("shifted", 1e3, "mm"))
        for (verb, scale, unit), measured, size in zip(kinds, found, pair, strict=True):
            if size is not None:
                what = f"{verb} from {names[0]} to {names[1]}, less what is known"
                checks.append(agreement(what, measured, size, scale, unit, among))
    return checks


def _known_of(row: Row) -> tuple[Known | None, Known | None]:
    """Return the turn and the shift that a row knows."""
    found: list[Known | None] = []
    for name, scale in (("turn_deg", math.radians(1.0)), ("shift_mm", 1e-3)):
        value, u = row.numbers.get(name), row.numbers.get(f"u_{name}")
        if (value is None) != (u is None):
            raise row.refusal(f"{name} and u_{name} belong together")
        found.append(None if value is None or u is None else Known(scale * value, scale * u))
    if found == [None, None]:
        raise row.refusal("neither turn_deg nor shift_mm is known")
    return found[0], found[1]


def _seen(picture: Picture, known: KnownCamera, target: Target, setup: Setup) -> Seen | None:
    """Return the target's pose by the first photometric pipeline, else the first."""
    pipeline = next((p for p in setup.pipelines if is_photometric(p.name)), setup.pipelines[0])
    estimate = pipeline.run(Observation(picture, known.camera, target, known.sensor))[1]
    if estimate.T_camera_target_est is None or estimate.covariance is None:
        return None
    return Seen(estimate.T_camera_target_est, estimate.covariance)


def moved(first: Seen, second: Seen) -> tuple[Known, Known]:
    """Return by what angle and how far a target was moved between two pictures."""
    turn = log_rotation(first.pose.rotation.T @ second.pose.rotation)
    both = first.covariance[:3, :3] + second.covariance[:3, :3]
    shift = float(np.linalg.norm(second.pose.translation - first.pose.translation))
    angle = Known(float(np.linalg.norm(turn)), _u_along(turn, both))
    return angle, Known(shift, _u_shift(first, second))


def _u_shift(first: Seen, second: Seen) -> float:
    """Return the standard uncertainty of the distance of two poses that err independently."""
    way = second.pose.translation - first.pose.translation
    return _u_along(way, first.covariance[3:, 3:] + second.covariance[3:, 3:])


def _u_along(way: Array, covariance: Array) -> float:
    """Return the standard uncertainty of a vector's length; of none, that of any direction."""
    size = float(np.linalg.norm(way))
    along = way / size if size > 0.0 else np.full(3, 3**-0.5)
    return math.sqrt(float(along @ covariance @ along))


def agreement(
    what: str, measured: Known, known: Known, scale: float, unit: str, among: int = 1
) -> Check:
    """Return whether a measured length or angle is the known one, of several that are asked."""
    u = math.hypot(measured.u, known.u)
    off, limit = measured.value - known.value, float(scipy.stats.norm.isf(0.5 * ALPHA / among)) * u
    state: State = "inside" if abs(off) <= limit else "outside"
    if state == "inside" and limit > TELLS * known.value > 0.0:
        state = "undecided"
    matters = max(abs(off) / limit - 1.0, 0.0)
    off, u, limit = scale * off, scale * u, scale * limit
    return Check(what, off, u, -limit, limit, f" {unit}", state, matters, CALIBRATE)


def _chi_square(what: str, values: Array, u: Array, places: Array) -> Check:
    """Return whether values change beyond their claims, and how they go with the place."""
    weight = 1.0 / u**2
    mean = float(weight @ values / np.sum(weight))
    free = len(values) - 1
    square = float(weight @ (values - mean) ** 2)
    low, high = (float(scipy.stats.chi2.ppf(p, free)) / free for p in (P_SHOWN, 1.0 - P_SHOWN))
    ratio = square / free
    state: State = "inside" if ratio <= high else "outside"
    if state == "outside":
        rows = np.column_stack((np.ones(len(values)), places)) / u[:, None]
        left = values / u - rows @ np.linalg.lstsq(rows, values / u, rcond=None)[0]
        if float(left @ left) < 0.5 * square:
            what += ", with the place in the picture"
    what += ": χ² over freedom"
    return Check(
        what, ratio, math.nan, low, high, "", state, abs(math.sqrt(ratio) - 1.0), CALIBRATE
    )
