"""Reliability of a list of bar poses: the least faults that its checks find, and what others cost.

Internal and external reliability as geodesy gives them to its networks (Baarda 1968, "A testing
procedure for use in geodetic networks", Netherlands Geodetic Commission 2/5, from memory; Förstner
and Wrobel 2016, "Photogrammetric Computer Vision", section 4.6, from memory). A fault of size d
along a column v of whitened observations gives its check the noncentrality ``d² vᵀ Q v``, with Q
the projection off all that the fit can take up; it is found with `POWER` where that reaches the
bound. What stays below may move the result by as much as the fit follows v.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from bench.registration.bar_views import cameras_of, refuse_unseen, step_of, unknowns_of
from bench.registration.checks import FALSE_ALARM, LEAST_SHARE, bend_columns, fitted_basis
from bench.registration.model import Model
from bench.registration.plan import bay_axes
from bench.registration.rehearsal import Errors
from bench.scene.bar import BarPose
from bench.scene.model import Bay, Tolerance
from bench.scene.tower_pair import tower_pair
from bench.sighting.prediction import sigma_of_corner
from bench.typing import Array

POWER = 0.8  # chance with which a fault of the least size is found; Baarda's choice, from memory
# Of a tolerance: what a fault that stays hidden may cost before a plan warns.
WORTH_A_WARNING = 1.0 / 3.0
# What may happen to a bar on site, each tried against a plan; our own choice, no source.
SLIPS = (1e-3, 3e-3)  # metres
BEND = math.radians(0.1)  # tilt of each end as the bar sags
# Directions of a slip that are tried: points of a Fibonacci sphere, 10 degrees apart or less.
TRIED = 400


@dataclass(frozen=True, eq=False)
class StepReliability:
    """What the checks know of one step.

    Attributes
    ----------
    redundancy : float
        Share of its observations' noise that residuals show: the mean redundancy number.
    least_slip, least_turn : float
        A slip, and a turn on the bar, of a target just before this step that its check finds
        with `POWER` whichever way it goes; metres, radians; infinite where one way is never
        found, NaN for the first step.
    cost : float
        What the slip of `SLIPS` that costs most may cost without being found so: the larger of
        toe and camber over their tolerance.
    """

    redundancy: float
    least_slip: float
    least_turn: float
    cost: float


@dataclass(frozen=True, eq=False)
class Reliability:
    """What the checks of a list of bar poses find.

    Attributes
    ----------
    steps : tuple of StepReliability
        For each pose.
    least_bend : float
        Tilt of each end, radians, that the check finds with `POWER`; infinite where never.
    bend_cost : float
        What `BEND` costs where it isn't found: of toe or camber, over its tolerance.
    warnings : tuple of str
        Faults that stay hidden and cost more than `WORTH_A_WARNING` of a tolerance.
    """

    steps: tuple[StepReliability, ...]
    least_bend: float
    bend_cost: float
    warnings: tuple[str, ...]


def reliability(
    bay: Bay, poses: Sequence[BarPose], corner_sigma_px: float | None = None
) -> Reliability:
    """Return what the checks find of faults in a registration by these bar poses.

    Errors of cameras and sizes are those that the bay's budget assumes. A swapped end shows by
    the targets' ids, and a turn of the bar that was misread has no part in the result, since bar
    poses are free: neither needs a row.

    Parameters
    ----------
    bay : Bay
        Towers, bar and tolerances.
    poses : sequence of BarPose
        In the order of work; they determine the transform.
    corner_sigma_px : float, optional
        Standard deviation of a corner's coordinate; what the bay's detector claims by default.

    Raises
    ------
    ConfigError
        A tower sees no target in some pose.
    """
    found = Network.of(bay, poses, corner_sigma_px)
    n_checks = 2 * len(poses) + 3  # steps, slips before all but the first, two targets, size, bend
    slip_bound, bend_bound = (noncentrality(FALSE_ALARM / n_checks, d) for d in (6, 3))
    rows, warnings = [], []
    for index in range(len(poses)):
        redundancy = float(np.mean(found.redundancy[found.model.rows[index]]))
        if index == 0:
            rows.append(StepReliability(redundancy, math.nan, math.nan, 0.0))
            continue
        columns = found.slip(index)
        shown, effect = found.shown(columns), found.effect(columns)
        costs = [_hidden(shown[3:, 3:], effect[:, 3:], slip, slip_bound) for slip in SLIPS]
        rows.append(
            StepReliability(
                redundancy,
                _least(shown[3:, 3:], slip_bound),
                _least(shown[:3, :3], slip_bound),
                max(costs),
            )
        )
        for slip, cost in zip(SLIPS, costs, strict=True):
            if cost > WORTH_A_WARNING:
                warnings.append(
                    f"a slip of {1e3 * slip:g} mm before step {index + 1} may stay hidden and "
                    f"cost {_percent(cost)} of a tolerance"
                )
    up = tower_pair(bay)[0].T_bay_camera.rotation.T @ np.array([0.0, 0.0, 1.0])
    # ends that tilt by b each are turned by 2 b against each other
    sag = 2.0 * bend_columns(found.model, found.jacobian) @ up[:, None]
    shown, effect = found.shown(sag), found.effect(sag)
    bend_cost = _hidden(shown, effect, BEND, bend_bound)
    if bend_cost > WORTH_A_WARNING:
        warnings.append(
            f"a bend of the bar by {math.degrees(BEND):g} deg at each end may stay hidden and "
            f"cost {_percent(bend_cost)} of a tolerance"
        )
    return Reliability(tuple(rows), _least(shown, bend_bound), bend_cost, tuple(warnings))


def noncentrality(alpha: float, degrees: int, power: float = POWER) -> float:
    """Return the noncentrality at which a chi-square test at level alpha has this power."""
    limit = float(scipy.stats.chi2.isf(alpha, degrees))
    return float(
        scipy.optimize.brentq(
            lambda lam: scipy.stats.ncx2.sf(limit, degrees, lam) - power, 1e-9, 1e4, xtol=1e-9
        )
    )


class Network:
    """A planned registration, linearised: what its residuals show, and what its result follows."""

    @classmethod
    def of(
        cls, bay: Bay, poses: Sequence[BarPose], corner_sigma_px: float | None = None
    ) -> Network:
        """Return that of these bar poses, with the errors that the bay's budget assumes."""
        refuse_unseen(bay, poses)
        sigma = sigma_of_corner(bay, corner_sigma_px)
        steps = [step_of(bay, pose, f"step {i + 1}", sigma) for i, pose in enumerate(poses)]
        bar, cameras = bay.bar, cameras_of(bay)
        errors = Errors.assumed(bay.budget)
        length = None
        if bar.length_uncertainty is not None:
            length = (bar.length, math.hypot(bar.length_uncertainty, errors.size * bar.length))
        model = Model(steps, cameras, unknowns_of(bay, poses), length)
        return cls(bay, model, errors.causes(cameras).shifts(model))

    def __init__(self, bay: Bay, model: Model, shifts: Array) -> None:
        self.model = model
        self.jacobian: Array = model.jacobian(np.zeros(model.n_parameters)).toarray()
        self.basis = fitted_basis(self.jacobian, shifts)[: len(self.jacobian)]
        self.redundancy = 1.0 - np.sum(self.basis**2, axis=1)
        scale = np.linalg.norm(self.jacobian, axis=0)
        solver = np.linalg.pinv(self.jacobian / scale, rcond=1e-10) / scale[:, None]
        # a fault moves what is seen as its column moves predictions, against residuals
        self.solver = bay_axes(bay) @ solver[:6]
        self.tolerance: Tolerance = bay.tolerance

    def slip(self, step: int) -> Array:
        """Return the change (M, 6) of whitened predictions by a slip of B before a step.

        Turned (radians) and shifted (metres) about and along its own axes and A's.
        """
        columns = np.zeros((self.model.n_residuals, 6))
        after = np.concatenate(self.model.rows[step:])
        columns[after] = self.jacobian[after, 6:12]
        return columns

    def shown(self, columns: Array) -> Array:
        """Return the noncentrality's matrix (K, K) of faults along columns (M, K)."""
        beyond = self.basis.T @ columns
        total = columns.T @ columns
        shown = total - beyond.T @ beyond
        # what is left by rounding isn't found
        values, vectors = np.linalg.eigh(shown)
        values = np.where(values > LEAST_SHARE**2 * np.trace(total), values, 0.0)
        return np.asarray((vectors * values) @ vectors.T)

    def effect(self, columns: Array) -> Array:
        """Return toe and camber (2, K) over their tolerances by a unit of each fault."""
        turned = (self.solver @ columns)[[2, 0]]
        limits = np.array([self.tolerance.toe, self.tolerance.camber])
        return np.asarray(turned / limits[:, None])


def _least(shown: Array, bound: float) -> float:
    """Return the size from which a fault is found, whichever way it goes."""
    least = float(np.linalg.eigvalsh(shown)[0])
    return math.sqrt(bound / least) if least > 0.0 else math.inf


def _hidden(shown: Array, effect: Array, size: float, bound: float) -> float:
    """Return the most that a fault of this size costs among its ways that aren't found."""
    ways = _sphere() if shown.shape[0] == 3 else np.ones((1, 1))
    noncentral = size**2 * np.einsum("ni,ij,nj->n", ways, shown, ways)
    cost = size * np.abs(ways @ effect.T).max(axis=1)
    return float(np.max(cost[noncentral < bound], initial=0.0))


def _sphere() -> Array:
    """Return directions (N, 3) spread evenly (a Fibonacci lattice)."""
    k = np.arange(TRIED) + 0.5
    z, turn = 1.0 - 2.0 * k / TRIED, np.pi * (1.0 + math.sqrt(5.0)) * k
    radius = np.sqrt(1.0 - z * z)
    return np.column_stack((radius * np.cos(turn), radius * np.sin(turn), z))


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %"
