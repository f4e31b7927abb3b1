"""Finding level rehearsed many times in a bay with known truth."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.special import chdtrc

from bench.digest import key_digest
from bench.files import write_atomically
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.registration.level import OPEN, find_level
from bench.registration.level_equations import Setting
from bench.registration.level_plan import LevelPlan, covariances_of, planned_up, reference_of
from bench.registration.level_table import level_table
from bench.scene.bar import BarPose
from bench.scene.model import Bay
from bench.scene.tower_pair import tower_pair
from bench.typing import Array


@dataclass(frozen=True)
class Site:
    """What is never as planned on site; none of it may matter but what the plan counts.

    Attributes
    ----------
    plumb : float
        Standard deviation of a tower's tilt from plumb, each way, radians.
    floor_slope : float
        Standard deviation of the floor's slope, each way, radians. With a spirit level it must
        not matter; a floor as the reference it takes along, unseen.
    heading, turn : float
        Standard deviation of how the bar is aimed and turned, radians.
    offset : float
        Standard deviation of where it stands, metres.
    """

    plumb: float = math.radians(0.5)
    floor_slope: float = math.radians(0.3)
    heading: float = math.radians(1.0)
    turn: float = math.radians(1.0)
    offset: float = 0.02


@dataclass(frozen=True, eq=False)
class Rehearsal:
    """What came of many trials of one plan.

    Attributes
    ----------
    errors : (N, 2) float64
        Of the upward direction that the left tower has, about the bay's x and y, radians,
        against what the reference can find: gravity, or the floor's normal.
    gravity_errors : (N, 2) float64
        The same against gravity.
    squared : (N,) float64
        Squared normalised errors, chi-square with `dof` degrees of freedom if claims are honest.
    dof : int
        Directions that the plan determines.
    """

    plan: LevelPlan
    errors: Array
    gravity_errors: Array
    squared: Array
    dof: int

    @property
    def rms(self) -> Array:
        """Root mean square of the errors (2,), radians."""
        return np.asarray(np.sqrt(np.mean(self.errors**2, axis=0)))

    @property
    def gravity_rms(self) -> Array:
        """Root mean square of the errors against gravity (2,), radians."""
        return np.asarray(np.sqrt(np.mean(self.gravity_errors**2, axis=0)))

    @property
    def p_value(self) -> float:
        """Two-sided, of the sum of squared normalised errors under honest claims."""
        upper = float(chdtrc(self.dof * len(self.squared), float(self.squared.sum())))
        return 2.0 * min(upper, 1.0 - upper)


def rehearse_level(
    bay: Bay,
    plan: LevelPlan,
    trials: int,
    seed: int,
    name: str = "level",
    site: Site | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Rehearsal:
    """Return what a plan gives over many trials.

    Parameters
    ----------
    bay : Bay
        Where.
    plan : LevelPlan
        What is done, and how good it is claimed to be: errors are drawn of that size.
    trials, seed : int
        How many; start of all randomness, with `name`.
    site : Site, optional
        What else is not as planned.
    progress : callable, optional
        Of done and total.

    Raises
    ------
    ConfigError
        A tower doesn't see the bar in a setting.
    """
    site = Site() if site is None else site
    found, against, squared = [], [], []
    dof = 2
    for trial in range(trials):
        rng = np.random.default_rng(np.random.SeedSequence([seed, key_digest(f"{name} {trial}")]))
        error, gravity, covariance = _trial(bay, plan, site, rng)
        # along its own axes: a bar aimed a little aside tilts the open direction too
        variance, along = np.linalg.eigh(covariance)
        known = variance < OPEN**2
        dof = int(np.sum(known))
        squared.append(float(np.sum((error @ along)[known] ** 2 / variance[known])))
        found.append(error)
        against.append(gravity)
        if progress is not None:
            progress(trial + 1, trials)
    return Rehearsal(plan, np.stack(found), np.stack(against), np.array(squared), dof)


def _trial(
    bay: Bay, plan: LevelPlan, site: Site, rng: np.random.Generator
) -> tuple[Array, Array, Array]:
    """Return the error of the level found, that against gravity, and the claimed covariance."""
    towers = tower_pair(bay)
    leaning = [_lean(t.T_bay_camera, site.plumb, rng) for t in towers]
    slope = site.floor_slope * rng.standard_normal(2)
    floor = Pose(exp_rotvec(np.array([*slope, 0.0])), np.zeros(3))
    ground = floor if plan.kind == "floor" else Pose.identity()
    settings = draw_settings(bay, plan, site, (leaning[0], leaning[1]), ground, rng)
    transform = leaning[0].inverse() @ leaning[1] if plan.registered else None
    level = find_level(settings, reference_of(bay, plan), transform, expected=planned_up(bay))
    turn = leaning[0].rotation
    up = turn @ level.up("left").direction
    covariance = (turn @ level.up("left").covariance @ turn.T)[:2, :2]
    error = np.cross(ground.rotation[:, 2], up)[:2]
    return error, np.cross([0.0, 0.0, 1.0], up)[:2], covariance


def draw_settings(
    bay: Bay,
    plan: LevelPlan,
    site: Site,
    T_bay_cameras: tuple[Pose, Pose],
    ground: Pose,
    rng: np.random.Generator,
    fixed: tuple[float, float] | None = None,
) -> list[Setting]:
    """Return what both towers measure of the bar under a plan, with errors of its sizes.

    Parameters
    ----------
    T_bay_cameras : (Pose, Pose)
        Where the left and the right camera really are.
    ground : Pose
        What the supports stand on, in the bay.
    fixed : (float, float), optional
        The bar's own error and the reference's slope, radians, with nothing else in error:
        instead of drawing.
    """
    reference, bar = reference_of(bay, plan), bay.bar
    own = reference.bar * rng.standard_normal()
    noisy = fixed is None
    if fixed is not None:
        own, tilted = fixed
        site, reference = Site(0.0, 0.0, 0.0, 0.0, 0.0), replace(reference, height=0.0)
    settings = []
    for distance in plan.distances:
        middle = reference.height * rng.standard_normal()
        supports = reference.slope * rng.standard_normal()
        for way in plan.ways:
            # a spirit level is read afresh, the floor stays
            left = supports if plan.kind == "floor" else reference.slope * rng.standard_normal()
            left = left if fixed is None else tilted
            heading = site.heading * rng.standard_normal()
            offset = site.offset * rng.standard_normal()
            stands = [
                BarPose(
                    distance,
                    offset,
                    plan.height + middle,
                    heading,
                    left + (-own if way else own),
                    plan.pose(distance, turn, way).turn + site.turn * rng.standard_normal(),
                    way,
                )
                for turn in plan.turns
            ]
            for side, T_bay_camera in zip(("left", "right"), T_bay_cameras, strict=True):
                mount = bar.T_bar_a if (side == "left") != way else bar.T_bar_b
                true = tuple(
                    T_bay_camera.inverse() @ ground @ stand.T_bay_bar @ mount for stand in stands
                )
                noise = covariances_of(bay, plan, way, side, true)
                seen = (
                    tuple(disturbed(T, c, rng) for T, c in zip(true, noise, strict=True))
                    if noisy
                    else true
                )
                name = f"{distance:.2f} m"
                settings.append(Setting(side, name, way, plan.height, bar.length, seen, noise))
    return settings


def disturbed(T: Pose, covariance: Array, rng: np.random.Generator) -> Pose:
    """Return a measured pose: R exp(ω), t + τ with (ω, τ) drawn from its covariance (6, 6)."""
    drawn = np.linalg.cholesky(covariance) @ rng.standard_normal(6)
    return Pose(T.rotation @ exp_rotvec(drawn[:3]), T.translation + drawn[3:])


def _lean(T_bay_camera: Pose, plumb: float, rng: np.random.Generator) -> Pose:
    tilt = exp_rotvec(np.array([*(plumb * rng.standard_normal(2)), 0.0]))
    return Pose(tilt @ T_bay_camera.rotation, T_bay_camera.translation)


def write_example(bay: Bay, plan: LevelPlan, site: Site, seed: int, out: Path) -> Path:
    """Write rehearsal.csv, the bar's poses as one rehearsal measures them; return its path."""
    left, right = tower_pair(bay)
    rng = np.random.default_rng(np.random.SeedSequence([seed, 0]))
    cameras = (left.T_bay_camera, right.T_bay_camera)
    settings = draw_settings(bay, plan, site, cameras, Pose.identity(), rng)
    path = out / "rehearsal.csv"
    write_atomically(path, level_table(settings).encode())
    return path
