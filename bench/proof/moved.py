"""A quick check whether a tower moved since registration, with a target on a fixed mark.

At registration, and again now, each tower takes pictures of one target that stands on a mark on
the floor. A tower that turned or shifted sees it elsewhere. The difference d of both mean poses
is Gaussian with covariance C, so that dᵀ C⁻¹ d is chi-square with six degrees of freedom while
nothing moved, and noncentral when something did; which size that takes is the smallest
detectable move. Both towers seeing it changed alike is a target put back elsewhere.

Poses are of any target fixed to the plate, whichever way its axes lie, in the camera's frame: x
right, y down, z forward. What turned is told in that frame before it is compared.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import scipy

from bench.errors import ConfigError
from bench.geometry.pose import Pose
from bench.geometry.rotation import log_rotation
from bench.geometry.uncertain import axes_change, first_response, inverse_response
from bench.proof.mark import Mark
from bench.proof.towers import sees
from bench.registration.reliability import noncentrality
from bench.scene.model import Tower
from bench.solve.covariance import pose_covariance
from bench.solve.response import target_points
from bench.targets.target import Target
from bench.typing import Array

MOVES = (
    "turn about x",
    "turn about y",
    "turn about z",
    "shift along x",
    "shift along y",
    "shift up",
)


@dataclass(frozen=True, eq=False)
class MovedPlan:
    """What a check of one tower can see.

    Attributes
    ----------
    tower : str
        Name.
    planned : Pose
        ``T_camera_target`` of the target on its mark, about whose axes turns are counted.
    noise : (6, 6) float64
        Covariance of one picture's pose (ω, τ).
    covariance : (6, 6) float64
        Of the difference of mean poses while nothing moved.
    response : (6, 6) float64
        Change of the pose by each of `MOVES`.
    alpha : float
        Chance of a false alarm for this tower.
    """

    tower: str
    planned: Pose
    noise: Array
    covariance: Array
    response: Array
    alpha: float

    @property
    def limit(self) -> float:
        """Chi-square above which the tower is said to have moved."""
        return float(scipy.stats.chi2.isf(self.alpha, 6))

    @property
    def information(self) -> Array:
        """Of the six moves, (6, 6)."""
        solved = np.linalg.solve(self.covariance, self.response)
        return np.asarray(self.response.T @ solved)

    def smallest(self, power: float) -> Array:
        """Return the move along each of `MOVES` (6,) alone that is found with that chance.

        Raises
        ------
        ConfigError
            It isn't above the chance of a false alarm.
        """
        if not self.alpha < power < 1.0:
            raise ConfigError(
                "moved: the power must lie above the false alarm and below 1, got "
                f"{power:g} and {self.alpha:g}"
            )
        needed = noncentrality(self.alpha, 6, power)
        return np.asarray(np.sqrt(needed / np.diag(self.information)))


@dataclass(frozen=True, eq=False)
class MovedResult:
    """What a check found.

    Attributes
    ----------
    plan : MovedPlan
        As checked.
    chi_square, p_value : float
        Of the hypothesis that nothing moved.
    move, sigma : (6,) float64
        Estimated move along `MOVES` and its standard uncertainties, radians and metres.
    factor : float
        By which the readings' own scatter enlarged the predicted variance; 1 where it didn't.
    difference : (6,) float64
        Of the mean poses (ω, τ).
    """

    plan: MovedPlan
    chi_square: float
    p_value: float
    move: Array
    sigma: Array
    factor: float
    difference: Array

    @property
    def moved(self) -> bool:
        """Whether the tower is said to have moved."""
        return self.p_value < self.plan.alpha


def plan_moved(
    tower: Tower,
    target: Target,
    mark: Mark,
    sigma_px: float,
    pictures: tuple[int, int] = (10, 10),
    alpha: float = 0.05,
) -> MovedPlan:
    """Return what a check of one tower can see.

    Parameters
    ----------
    tower : Tower
        Which.
    target : Target
        That stands on the mark.
    mark : Mark
        Where.
    sigma_px : float
        Standard deviation of a corner's coordinate in one picture.
    pictures : (int, int)
        Whose means count: at registration, and now.
    alpha : float
        Chance of a false alarm, for this tower.

    Raises
    ------
    ConfigError
        The tower doesn't have the target wholly in its picture.
    """
    if not is_seen(tower, target, mark):
        raise ConfigError(
            f"moved: the {tower.name} tower doesn't have the target in its picture, "
            f"{mark.distance:g} m ahead, {mark.offset:g} m off the centre line and "
            f"{mark.height:g} m high"
        )
    eye, T_bay_target = tower.T_bay_camera, mark.T_bay_target()
    T = eye.inverse() @ T_bay_target
    noise = pose_covariance(target_points(target), T, tower.camera, sigma_px)
    # the tower turns and shifts about and along the bay's axes
    by_eye = first_response(eye.inverse(), T_bay_target) @ inverse_response(eye)
    response = by_eye @ axes_change(eye.rotation.T, np.eye(3))
    covariance = noise * sum(1.0 / n for n in pictures) + _put_back(mark)
    return MovedPlan(tower.name, T, noise, covariance, response, alpha)


def _put_back(mark: Mark) -> Array:
    """Return the covariance (6, 6) of putting the target back once, between both times."""
    return np.diag([mark.turn_sigma**2] * 3 + [mark.place_sigma**2] * 3)


def is_seen(tower: Tower, target: Target, mark: Mark) -> bool:
    """Tell whether a tower has the face of a target on its mark wholly in its picture."""
    return sees(tower, target, tower.T_bay_camera.inverse() @ mark.T_bay_target())


def nearest_mark(towers: Sequence[Tower], target: Target, mark: Mark) -> Mark | None:
    """Return the nearest place to a mark that all towers see; None where there is none.

    Of a grid of 0.25 m along and across the bay and 0.1 m upward.
    """
    places = product(
        np.arange(1.0, 8.01, 0.25), np.arange(-1.0, 1.01, 0.25), np.arange(0.2, 2.01, 0.1)
    )
    tried = [
        replace(mark, distance=float(d), offset=float(o), height=float(h)) for d, o, h in places
    ]
    tried.sort(key=lambda m: _apart(m, mark))
    return next((m for m in tried if all(is_seen(t, target, m) for t in towers)), None)


def _apart(one: Mark, other: Mark) -> float:
    away = (one.distance - other.distance, one.offset - other.offset, one.height - other.height)
    return math.hypot(*away)


def evaluate_moved(plan: MovedPlan, before: Sequence[Pose], now: Sequence[Pose]) -> MovedResult:
    """Compare a tower's poses of the fixed target at registration and now.

    Parameters
    ----------
    plan : MovedPlan
        With the pictures that were really taken.
    before, now : sequence of Pose
        ``T_camera_target`` of each picture.
    """
    groups = [
        np.array([_small(before[0], T, plan.planned) for T in group]) for group in (before, now)
    ]
    difference = groups[1].mean(axis=0) - groups[0].mean(axis=0)
    apart = np.concatenate([group - group.mean(axis=0) for group in groups])
    freedom = 6 * (len(apart) - 2)
    factor = 1.0
    if freedom > 0:
        squares = float(np.einsum("ni,ij,nj->", apart, np.linalg.inv(plan.noise), apart))
        # the rule of `bench.solve.covariance.noise_variance`: a claim stands until refuted
        factor = max(1.0, squares / float(scipy.stats.chi2.isf(0.05, freedom)))
    pictures = plan.noise * (1.0 / len(before) + 1.0 / len(now))
    covariance = plan.covariance + (factor - 1.0) * pictures
    chi_square = float(difference @ np.linalg.solve(covariance, difference))
    inverse = np.linalg.inv(plan.response)
    uncertainty = inverse @ covariance @ inverse.T
    return MovedResult(
        replace(plan, covariance=covariance),
        chi_square,
        float(scipy.stats.chi2.sf(chi_square, 6)),
        inverse @ difference,
        np.sqrt(np.diag(uncertainty)),
        factor,
        difference,
    )


def alike(first: MovedResult, second: MovedResult, towers: Sequence[Tower], mark: Mark) -> float:
    """Return the p-value of both towers seeing the target itself moved, by the same amount.

    Large where the target was put back elsewhere; small where a tower moved.
    """
    seen, covariance = [], np.zeros((6, 6))
    R_bay_target = mark.T_bay_target().rotation
    for result, tower in zip((first, second), towers, strict=True):
        into = axes_change(R_bay_target, tower.T_bay_camera.rotation)
        seen.append(into @ result.difference)
        # without what both share, its being put back
        covariance += into @ (result.plan.covariance - _put_back(mark)) @ into.T
    apart = seen[0] - seen[1]
    return float(scipy.stats.chi2.sf(float(apart @ np.linalg.solve(covariance, apart)), 6))


def _small(reference: Pose, T: Pose, planned: Pose) -> Array:
    # in the camera's frame, where it doesn't matter which way the target's own axes lie
    turned = planned.rotation.T @ log_rotation(T.rotation @ reference.rotation.T)
    return np.concatenate((turned, T.translation - reference.translation))
