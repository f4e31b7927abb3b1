"""Plans of bar poses: what a list of them determines, and a short list that does best.

All is to first order, from the exact geometry: no pictures and no random numbers, but for the
starts of the exchange.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from bench.defaults import BAR_POSES
from bench.errors import ConfigError
from bench.geometry.uncertain import axes_change
from bench.registration.bar_views import cameras_of, refuse_unseen, step_of, unknowns_of
from bench.registration.model import Model
from bench.registration.pool import candidates
from bench.registration.rank import Direction, directions, rank, shared_covariance, shared_rows
from bench.scene.bar import BarPose
from bench.scene.model import Bay
from bench.scene.tower_pair import tower_pair
from bench.sighting.prediction import sigma_of_corner
from bench.typing import Array

FOUND = "found by search"
STARTS = 4  # of the exchange; the best counts
# Of the criterion's logarithm, below which an exchange isn't worth it: rounding, far below what
# a bar pose is repeated to.
LEAST_GAIN = 1e-6


@dataclass(frozen=True, eq=False)
class Progress:
    """What the first steps of a list of bar poses determine.

    Attributes
    ----------
    steps : int
        How many were taken.
    rank, unknowns : int
        Directions determined, of how many.
    open : tuple of Direction
        Those that are not.
    weakest : Direction
        The least determined one.
    sigma_rotation, sigma_translation : (3,) float64
        Standard uncertainties of the right tower against the left one: about and along the
        bay's x, y and z, radians and metres; infinite where undetermined. Those about z go to
        toe, those about x to camber.
    log_volume : float
        Half the logarithm of the determinant of T_left_right's covariance, radians and metres:
        of the uncertainty's volume, which the search minimises; infinite where undetermined.
    """

    steps: int
    rank: int
    unknowns: int
    open: tuple[Direction, ...]
    weakest: Direction
    sigma_rotation: Array
    sigma_translation: Array
    log_volume: float

    @property
    def is_determined(self) -> bool:
        """Whether nothing is left open."""
        return self.rank == self.unknowns


def plan_rows(
    bay: Bay, poses: Sequence[BarPose], corner_sigma_px: float | None = None
) -> list[Array]:
    """Return each pose's rows (M, 12) about T_left_right and T_a_b, bar poses taken out.

    The calibrated length of the bar, if it has one, comes last, as one row more.
    """
    sigma = sigma_of_corner(bay, corner_sigma_px)
    steps = [step_of(bay, pose, str(i + 1), sigma) for i, pose in enumerate(poses)]
    bar = bay.bar
    length = None if bar.length_uncertainty is None else (bar.length, bar.length_uncertainty)
    model = Model(steps, cameras_of(bay), unknowns_of(bay, poses), length)
    if not model.two_ends:
        raise ConfigError("both towers see the same target of the bar only; it needs two")
    return shared_rows(model)


def progress(
    bay: Bay, poses: Sequence[BarPose], corner_sigma_px: float | None = None
) -> tuple[Progress, ...]:
    """Return what is determined after each step.

    Raises
    ------
    ConfigError
        A tower sees no target in some pose.
    """
    refuse_unseen(bay, poses)
    rows = plan_rows(bay, poses, corner_sigma_px)
    n = len(poses)
    length_row = rows[n:]
    found = []
    for k in range(1, n + 1):
        some = rows[:k] + length_row
        unknowns = unknowns_of(bay, poses[:k])
        principal = directions(some, unknowns)
        covariance = shared_covariance(some)
        open_ = tuple(d for d in principal if d.is_open)
        rotation, translation, volume = np.full(3, np.inf), np.full(3, np.inf), np.inf
        if covariance is not None and not open_:
            rotation, translation = in_bay(bay, covariance[:6, :6])
            volume = 0.5 * float(np.linalg.slogdet(covariance[:6, :6])[1])
        found.append(
            Progress(
                k,
                rank(principal),
                len(principal),
                open_,
                principal[0],
                rotation,
                translation,
                volume,
            )
        )
    return tuple(found)


def in_bay(bay: Bay, covariance: Array) -> tuple[Array, Array]:
    """Return standard uncertainties about and along the bay's axes, radians and metres, (3,) each.

    Parameters
    ----------
    bay : Bay
        Whose left and right tower.
    covariance : (6, 6) float64
        Of (ω, τ) of T_left_right.
    """
    turn = bay_axes(bay)
    both = turn @ covariance @ turn.T
    sigma = np.sqrt(np.diag(both))
    return sigma[:3], sigma[3:]


def bay_axes(bay: Bay) -> Array:
    """Return the matrix (6, 6) that takes (ω, τ) of T_left_right to the bay's axes."""
    left, right = tower_pair(bay)
    return axes_change(right.T_bay_camera.rotation, left.T_bay_camera.rotation)


@dataclass(frozen=True, eq=False)
class Search:
    """A search among bar poses for a short list that determines T_left_right best.

    D-optimal for T_left_right with T_a_b and the bar poses as nuisances (D_s; Atkinson, Donev
    and Tobias 2007, "Optimum Experimental Designs", section 10.3), by Fedorov's exchange (Fedorov
    1972, "Theory of Optimal Experiments") from seeded random starts.

    Attributes
    ----------
    pool : tuple of BarPose
        To choose from.
    information : (C, 12, 12) float64
        Each pose's, about T_left_right and T_a_b.
    prior : (12, 12) float64
        What is known besides: a calibrated length.
    n : int
        Number of poses of a list, 3 or more.
    seed : int
        Of the starts.
    """

    pool: tuple[BarPose, ...]
    information: Array
    prior: Array
    n: int
    seed: int

    @classmethod
    def of(cls, bay: Bay, n: int = BAR_POSES, seed: int | None = None) -> Search:
        """Return the search among a bay's candidates; the seed is the bay's own when left out.

        Raises
        ------
        ConfigError
            Fewer than n bar poses are seen by both towers.
        """
        pool = candidates(bay)
        if len(pool) < n:
            raise ConfigError(
                f"{bay.path}: bar: only {len(pool)} of the bar poses that a plan may choose from "
                f"show a target to both towers, {n} are needed: change the bar's length or "
                "heights, or the towers' aim"
            )
        rows = plan_rows(bay, pool)
        information = np.array([r.T @ r for r in rows[: len(pool)]])
        prior = sum((r.T @ r for r in rows[len(pool) :]), np.zeros((12, 12)))
        return cls(pool, information, prior, n, bay.survey.seed if seed is None else seed)

    def best(self, may: Callable[[BarPose], bool] = lambda _: True) -> tuple[BarPose, ...]:
        """Return the best list of poses that may be, in working order; none where they are few."""
        some = [i for i, pose in enumerate(self.pool) if may(pose)]
        if len(some) < self.n:
            return ()
        rng = np.random.default_rng(np.random.SeedSequence([self.seed, self.n]))
        chosen = exchange(self.information[some], self.prior, self.n, rng)
        return working_order([self.pool[some[i]] for i in chosen])


def default_sequence(bay: Bay, n: int = BAR_POSES, seed: int | None = None) -> tuple[BarPose, ...]:
    """Return the short list of bar poses that a `Search` finds, in working order, and back.

    Parameters
    ----------
    bay : Bay
        Where.
    n : int
        How many; the way back comes on top.
    seed : int, optional
        The bay's own by default.

    Raises
    ------
    ConfigError
        Too few bar poses are seen by both towers.
    """
    return returned(Search.of(bay, n, seed).best())


def returned(poses: Sequence[BarPose]) -> tuple[BarPose, ...]:
    """Return bar poses with the first once more at the end.

    A target that slips on the bar late in a list is told from a bar pose that merely differs by
    nothing else; see `bench.registration.reliability`.
    """
    return (*poses, *poses[:1])


def exchange(information: Array, prior: Array, n: int, rng: np.random.Generator) -> list[int]:
    """Return the indices of the n candidates whose information is best together.

    Parameters
    ----------
    information : (C, 12, 12) float64
        Each candidate's, about T_left_right and T_a_b.
    prior : (12, 12) float64
        What is known besides.
    n : int
        How many to choose, without repetition.
    rng : numpy.random.Generator
        Of the starts.
    """
    best: list[int] = []
    best_value = -np.inf
    for _ in range(STARTS):
        chosen = [int(i) for i in rng.choice(len(information), size=n, replace=False)]
        value = float(criterion(prior + information[chosen].sum(axis=0)))
        improved = True
        while improved:
            improved = False
            for place in range(n):
                others = chosen[:place] + chosen[place + 1 :]
                values = criterion(prior + information[others].sum(axis=0) + information)
                values[others] = -np.inf
                candidate = int(np.argmax(values))
                if values[candidate] > value + LEAST_GAIN:
                    chosen[place], value, improved = candidate, float(values[candidate]), True
        if not best or value > best_value:
            best, best_value = chosen, value
    return best


def criterion(information: Array) -> Array:
    """Return log det of the information (..., 12, 12) about the first six, the rest unknown.

    -inf where it is singular.
    """
    scale = np.sqrt(np.maximum(np.diagonal(information, axis1=-2, axis2=-1), 1e-300))
    scaled = information / scale[..., :, None] / scale[..., None, :]
    sign, whole = np.linalg.slogdet(scaled)
    sign_rest, rest = np.linalg.slogdet(scaled[..., 6:, 6:])
    size = 2.0 * np.sum(np.log(scale[..., :6]), axis=-1)
    good = (sign > 0) & (sign_rest > 0)
    return np.where(good, whole - rest + size, -np.inf)


def working_order(poses: Sequence[BarPose]) -> tuple[BarPose, ...]:
    """Return bar poses so that the stands are moved as little as may be: turns go together."""

    def place(pose: BarPose) -> tuple[float, ...]:
        return (pose.distance, pose.height, pose.slope, pose.heading)

    return tuple(sorted(poses, key=lambda pose: (*place(pose), pose.turn)))
