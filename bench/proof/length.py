"""A length check: a calibrated bar, measured by the registered towers at several places.

Smaller than, and not, an acceptance test by VDI/VDE 2634 part 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy

from bench.budget.measured import NOTHING, Measured
from bench.errors import ConfigError
from bench.geometry.pose import Pose
from bench.geometry.uncertain import point_response
from bench.proof.towers import sees, tied_towers
from bench.scene.bar import Bar, BarPose
from bench.scene.bar_section import read_poses
from bench.scene.model import Bay, Tower, wheels
from bench.solve.covariance import pose_covariance
from bench.solve.response import target_points
from bench.targets.target import Target
from bench.typing import Array

K = 2.0  # of expanded uncertainties here


@dataclass(frozen=True, eq=False)
class LengthPlan:
    """Places of the bar, and how well its length will be measured there.

    Attributes
    ----------
    places : tuple of BarPose
        In the order in which to take them.
    length, calibration : float
        Calibrated length and its standard uncertainty, metres.
    noise : (N,) float64
        Standard uncertainty from the pictures at each place, for one reading, metres.
    registration : (N, 6) float64
        Change of the measured length by the error of ``T_left_right``.
    tie : (6, 6) float64
        Covariance of that error.
    """

    places: tuple[BarPose, ...]
    length: float
    calibration: float
    noise: Array
    registration: Array
    tie: Array

    def covariance(self, readings: Sequence[int]) -> Array:
        """Return the covariance (N, N) of mean errors from so many readings at each place."""
        common = self.registration @ self.tie @ self.registration.T + self.calibration**2
        return np.asarray(common + np.diag(self.noise**2 / np.asarray(readings)))

    def sigma(self, readings: int) -> Array:
        """Return the standard uncertainty (N,) of the error at each place."""
        return np.sqrt(np.diag(self.covariance([readings] * len(self.places))))

    def detectable_scale(self, readings: int, power: float = 0.8, alpha: float = 0.05) -> float:
        """Return the relative error of scale that the check finds with a chance of `power`."""
        ones = np.full(len(self.places), self.length)
        information = ones @ np.linalg.solve(self.covariance([readings] * len(self.places)), ones)
        # two-sided normal test; the far tail adds nothing at such powers
        needed = scipy.stats.norm.isf(alpha / 2.0) + scipy.stats.norm.isf(1.0 - power)
        return float(needed / math.sqrt(information))


@dataclass(frozen=True, eq=False)
class LengthResult:
    """What a check found.

    Attributes
    ----------
    plan : LengthPlan
        As checked.
    readings : tuple of int
        At each place.
    errors, expanded : (N,) float64
        Mean measured less calibrated length, and its expanded uncertainty (k = 2), metres.
    chi_square, p_value : float
        Of all errors together being what the plan predicts.
    scale, scale_sigma : float
        Relative error of scale by generalised least squares, and its standard uncertainty.
    """

    plan: LengthPlan
    readings: tuple[int, ...]
    errors: Array
    expanded: Array
    chi_square: float
    p_value: float
    scale: float
    scale_sigma: float

    @property
    def holds(self) -> bool:
        """Whether the errors are no larger than predicted: jointly, at 5 % of false alarms."""
        return self.p_value >= 0.05

    @property
    def worst(self) -> int:
        """Place with the largest error over its uncertainty."""
        return int(np.argmax(np.abs(self.errors) / self.expanded))


def default_places(
    left: Tower, right: Tower, bar: Bar, nearest: float, farthest: float
) -> tuple[BarPose, ...]:
    """Return places over the depth, height and skew of the bay where both targets are seen.

    Parameters
    ----------
    left, right : Tower
        Who look.
    bar : Bar
        The calibrated bar.
    nearest, farthest : float
        Distances from the tower line to spread them over, metres.

    Raises
    ------
    ConfigError
        Fewer than three places are seen by both.
    """
    wanted = [
        BarPose(float(distance), 0.0, height, heading, 0.0, turn)
        for distance in np.linspace(nearest, farthest, 4)
        for height, heading, turn in (
            (bar.heights[0], math.radians(12.0), math.radians(20.0)),
            (bar.heights[-1], math.radians(-12.0), math.radians(-20.0)),
        )
    ]
    seen = tuple(place for place in wanted if _sees(left, right, bar, place))
    if len(seen) < 3:
        raise ConfigError(
            f"length: both towers see the bar at {len(seen)} of {len(wanted)} places from "
            f"{nearest:.2f} to {farthest:.2f} m; 3 are needed: give --places"
        )
    return seen


def plan_length(
    left: Tower, right: Tower, bar: Bar, places: Sequence[BarPose], sigma_px: float, tie: Array
) -> LengthPlan:
    """Return how well a check will measure the bar.

    Parameters
    ----------
    left, right : Tower
        Registered towers: each sees the target at its end.
    bar : Bar
        With a calibrated length.
    places : sequence of BarPose
        Three or more.
    sigma_px : float
        Standard deviation of a corner's coordinate.
    tie : (6, 6) float64
        Covariance of ``T_left_right`` (ω, τ).

    Raises
    ------
    ConfigError
        The bar isn't calibrated, there are too few places, or a target isn't seen.
    """
    if bar.length_uncertainty is None:
        raise ConfigError("length: the bar isn't calibrated; give bar.length_uncertainty")
    if len(places) < 3:
        raise ConfigError(f"length: 3 places or more are needed, got {len(places)}")
    noise, by_tie = [], []
    for number, place in enumerate(places, start=1):
        variance = 0.0
        ends = {}
        for tower, side in ((left, "left"), (right, "right")):
            target, T = _end(tower, side, bar, place)
            if not sees(tower, target, T):
                raise ConfigError(
                    f"length: the {tower.name} tower doesn't have its target in its picture at "
                    f"place {number}: {place.words}"
                )
            ends[side] = T
            along = _direction(left, right, bar, place, tower)
            shift = pose_covariance(target_points(target), T, tower.camera, sigma_px)[3:, 3:]
            variance += float(along @ shift @ along)
        noise.append(math.sqrt(variance))
        # the length grows by what moves the right end along it, in the left camera's frame
        along = _direction(left, right, bar, place, left)
        T_left_right = left.T_bay_camera.inverse() @ right.T_bay_camera
        by_tie.append(along @ point_response(T_left_right, ends["right"].translation))
    return LengthPlan(
        tuple(places), bar.length, bar.length_uncertainty, np.array(noise), np.array(by_tie), tie
    )


def evaluate_length(plan: LengthPlan, readings: Sequence[Sequence[float]]) -> LengthResult:
    """Judge measured lengths, metres, given for each place of the plan.

    Raises
    ------
    ConfigError
        A place has no reading.
    """
    counts = [len(values) for values in readings]
    for number, n in enumerate(counts, start=1):
        if n == 0:
            raise ConfigError(f"length: place {number} has no reading")
    errors = np.array([float(np.mean(values)) for values in readings]) - plan.length
    covariance = plan.covariance(counts)
    solved = np.linalg.solve(covariance, errors)
    chi_square = float(errors @ solved)
    ones = np.full(len(errors), plan.length)
    weight = np.linalg.solve(covariance, ones)
    information = float(ones @ weight)
    return LengthResult(
        plan,
        tuple(counts),
        errors,
        K * np.sqrt(np.diag(covariance)),
        chi_square,
        float(scipy.stats.chi2.sf(chi_square, len(errors))),
        float(weight @ errors) / information,
        1.0 / math.sqrt(information),
    )


def _end(tower: Tower, side: str, bar: Bar, place: BarPose) -> tuple[Target, Pose]:
    a = (side == "left") != place.reversed
    T_bar_target = bar.T_bar_a if a else bar.T_bar_b
    T = tower.T_bay_camera.inverse() @ place.T_bay_bar @ T_bar_target
    return bar.target("A" if a else "B"), T


def _sees(left: Tower, right: Tower, bar: Bar, place: BarPose) -> bool:
    return all(
        sees(tower, *_end(tower, side, bar, place))
        for tower, side in ((left, "left"), (right, "right"))
    )


def _direction(left: Tower, right: Tower, bar: Bar, place: BarPose, tower: Tower) -> Array:
    """Return the unit vector from the left target to the right one in a tower's frame (3,)."""
    ends = [
        t.T_bay_camera @ _end(t, side, bar, place)[1].translation
        for t, side in ((left, "left"), (right, "right"))
    ]
    apart = ends[1] - ends[0]
    return np.asarray(tower.T_bay_camera.rotation.T @ apart / np.linalg.norm(apart))


def plan_for_bay(
    bay: Bay,
    bar: Bar,
    places: Path | None,
    sigma_px: float | None,
    poses: Path | None,
    measured: Measured = NOTHING,
) -> LengthPlan:
    """Return the check with its registration, see `bench.proof.towers.tied_towers`.

    `places` is a file of the bar's places; by default they spread over the bay's wheels.

    Raises
    ------
    ConfigError
        A file or a number won't do.
    """
    towers = tied_towers(bay, sigma_px, poses, measured)
    nearest = min(-float(w.centre[0]) for w in wheels(bay))
    farthest = max(-float(w.centre[0]) for w in wheels(bay))
    chosen = (
        default_places(towers.left, towers.right, bar, nearest, min(farthest, nearest + 4.0))
        if places is None
        else read_poses(places)
    )
    return plan_length(towers.left, towers.right, bar, chosen, towers.sigma_px, towers.covariance)
