"""Bias without a reference: a bar that mustn't change, moves that are known.

Whatever a bar does, the pose of its second target in the frame of its first must not change.
Scatter beyond what both poses claim, and dependence on where in the picture the bar is, is bias
that repeats of one view can't show; so is a turn or a shift of a target that isn't the known one.
A bar's calibrated length speaks of scale: focal length and printed size.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from bench.characterise.checks import Check, State
from bench.geometry.pose import Pose
from bench.geometry.rotation import log_rotation
from bench.typing import Array

LEAST_PLACES = 5
# Of a false alarm: one check among them all, and all known lengths and turns together.
P_SHOWN, ALPHA = 0.001, 0.005
# Of a known length or turn: where the limits are wider than so much of it, agreement says nothing.
TELLS = 0.2
CALIBRATE = "calibrate the camera anew (sightbench intrinsics), and check print scale and flatness"


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


def bar_checks(views: Sequence[BarView], length: Known | None = None) -> list[Check]:
    """Return whether a bar's length and its targets' relative rotation change; none of few places.

    Parameters
    ----------
    views : sequence of BarView
        Where both targets were found.
    length : Known, optional
        Calibrated, between the targets' centres.
    """
    if len(views) < LEAST_PLACES:
        return []
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
        checks.append(
            agreement("bar: its length less the calibrated one", mean, length, 1e3, "mm")
        )
    return checks


def moved(first: Seen, second: Seen) -> tuple[Known, Known]:
    """Return by what angle and how far a target was moved between two pictures."""
    turn = log_rotation(first.pose.rotation.T @ second.pose.rotation)
    angle = float(np.linalg.norm(turn))
    axis = turn / angle if angle > 0.0 else np.full(3, 3**-0.5)
    both = first.covariance[:3, :3] + second.covariance[:3, :3]
    shift = float(np.linalg.norm(second.pose.translation - first.pose.translation))
    return Known(angle, math.sqrt(float(axis @ both @ axis))), Known(
        shift, _u_shift(first, second)
    )


def _u_shift(first: Seen, second: Seen) -> float:
    """Return the standard uncertainty of the distance of two poses that err independently."""
    way = second.pose.translation - first.pose.translation
    length = float(np.linalg.norm(way))
    along = way / length if length > 0.0 else np.full(3, 3**-0.5)
    both = first.covariance[3:, 3:] + second.covariance[3:, 3:]
    return math.sqrt(float(along @ both @ along))


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
    matters = abs(math.sqrt(ratio) - 1.0)
    what += ": χ² over freedom"
    return Check(what, ratio, math.nan, low, high, "", state, matters, CALIBRATE)
