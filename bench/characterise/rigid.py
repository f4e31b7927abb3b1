"""Two targets fixed on one bar, seen in many places: what a camera is off by without a reference.

Whatever the bar does, the second target's pose in the first one's frame must not change. Scatter
beyond what both poses claim, and dependence on where in the picture and how far away the bar is,
is bias that repeats of one view can't show. That the distance is the calibrated one, if that is
known, speaks of scale: focal length and printed size.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from bench.characterise.checks import Check, State
from bench.geometry.pose import Pose
from bench.geometry.rotation import log_rotation
from bench.solve.estimate import Estimate
from bench.typing import Array

LEAST_PLACES = 5
P_SHOWN = 0.001
CALIBRATE = "calibrate the camera anew (sightbench intrinsics), and check print scale and flatness"


@dataclass(frozen=True, eq=False)
class BarView:
    """Both targets in one picture.

    Attributes
    ----------
    name : str
        Of the picture.
    first, second : Estimate
        Poses with covariances.
    place : (2,) float64
        Of the bar's middle in the picture, -1 to 1 from edge to edge.
    """

    name: str
    first: Estimate
    second: Estimate
    place: Array


@dataclass(frozen=True, eq=False)
class Bar:
    """What a bar shows.

    Attributes
    ----------
    distances_m, u_m : (V,) float64
        Between the targets' centres, and claimed standard uncertainties.
    turns, u_turns : (V, 3), (V,) float64
        Relative rotation from its mean, radians, about the first target's axes, and claims.
    checks : list of Check
        Whether these change.
    """

    distances_m: Array
    u_m: Array
    turns: Array
    u_turns: Array
    checks: list[Check]


def bar_of(views: Sequence[BarView], known_m: tuple[float, float] | None = None) -> Bar | None:
    """Return what a bar shows; None of fewer than five places.

    Parameters
    ----------
    views : sequence of BarView
        Where both targets were found.
    known_m : (float, float), optional
        The bar's calibrated length and its standard uncertainty, metres.
    """
    if len(views) < LEAST_PLACES:
        return None
    pairs = [(_pose(v.first), _pose(v.second)) for v in views]
    relative = [a.inverse() @ b for a, b in pairs]
    distance = np.array([float(np.linalg.norm(p.translation)) for p in relative])
    u = np.array([_u_distance(v, *pair) for v, pair in zip(views, pairs, strict=True)])
    middle = relative[len(relative) // 2].rotation
    turns = np.array([log_rotation(middle.T @ p.rotation) for p in relative])
    turns -= np.mean(turns, axis=0)
    u_turns = np.array([_u_turn(v) for v in views])
    places = np.array([view.place for view in views])
    checks = [_chi_square("bar: its length between pictures", distance, u, places)]
    for k, name in enumerate(("pitch", "turn", "roll")):
        what = f"bar: relative {name} between pictures"
        checks.append(_chi_square(what, turns[:, k], u_turns[:, k], places))
    if known_m is not None:
        checks.append(_length(distance, u, known_m))
    return Bar(distance, u, turns, u_turns, checks)


def _pose(estimate: Estimate) -> Pose:
    assert estimate.T_camera_target_est is not None
    return estimate.T_camera_target_est


def _u_distance(view: BarView, first: Pose, second: Pose) -> float:
    """Return the standard uncertainty of the distance of two poses that err independently."""
    way = second.translation - first.translation
    along = way / np.linalg.norm(way)
    total = 0.0
    for estimate in (view.first, view.second):
        if estimate.covariance is not None:
            total += float(along @ estimate.covariance[3:, 3:] @ along)
    return math.sqrt(total)


def _u_turn(view: BarView) -> Array:
    """Return the standard uncertainties (3,) of a relative rotation, about alike axes."""
    total = np.zeros(3)
    for estimate in (view.first, view.second):
        if estimate.covariance is not None:
            total += np.diag(estimate.covariance)[:3]
    return np.sqrt(total)


def _chi_square(what: str, values: Array, u: Array, places: Array) -> Check:
    """Return whether values change beyond their claims, and how they go with the place."""
    weight = 1.0 / u**2
    mean = float(weight @ values / np.sum(weight))
    free = len(values) - 1
    square = float(weight @ (values - mean) ** 2)
    limit = float(stats.chi2.isf(P_SHOWN, free)) / free
    ratio = square / free
    low = float(stats.chi2.ppf(P_SHOWN, free)) / free
    state: State = "inside" if ratio <= limit else "outside"
    words = what
    if state == "outside":
        rows = np.column_stack((np.ones(len(values)), places))
        fit = np.linalg.lstsq(rows / u[:, None], values / u, rcond=None)[0]
        left = float(np.sum(((values - rows @ fit) / u) ** 2))
        if left < 0.5 * square:
            words += ", with the place in the picture"
    matters = abs(math.sqrt(ratio) - 1.0)
    return Check(
        f"{words}: χ² over freedom", ratio, math.nan, low, limit, "", state, matters, CALIBRATE
    )


def _length(distance: Array, u: Array, known_m: tuple[float, float]) -> Check:
    """Return whether the mean length is the calibrated one, at 2 standard uncertainties."""
    weight = 1.0 / u**2
    mean = float(weight @ distance / np.sum(weight))
    own = math.hypot(1.0 / math.sqrt(float(np.sum(weight))), known_m[1])
    off, limit = 1e3 * (mean - known_m[0]), 1e3 * 2.0 * own
    state: State = "inside" if abs(off) <= limit else "outside"
    what = "bar: its length less the calibrated one"
    return Check(
        what, off, 1e3 * own, -limit, limit, " mm", state, abs(off) / limit - 1.0, CALIBRATE
    )
