"""A simulation of the plan of VDI/VDE 2634 part 1: seven lines of five lengths in a volume.

The guideline's characteristic is the error of a length between two points, measured along at
least seven lines through the measured volume, five lengths each (section 4, from memory). Here
the points are targets' centres; a length's two ends are measured by the tower on their side and
tied by the registration. Only the plan is taken: a simulation isn't an acceptance test.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.budget.distributions import JointNormal
from bench.digest import key_digest
from bench.errors import ConfigError, GeometryError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.scene.model import Tower
from bench.scene.vehicle import R_BAY_SQUARE_TARGET
from bench.solve.covariance import pose_covariance
from bench.solve.response import target_points
from bench.targets.target import Target
from bench.typing import Array

LENGTHS = 5  # a line


@dataclass(frozen=True)
class Volume:
    """A box to measure in: distances from the tower line, heights, half width; metres."""

    near: float
    far: float
    low: float
    high: float
    half_width: float


@dataclass(frozen=True, eq=False)
class Acceptance:
    """Simulated errors of lengths.

    Attributes
    ----------
    lengths : (7, 5) float64
        True, metres.
    sigma : (7, 5) float64
        Standard deviation of each length's error over the runs, metres.
    largest : (N,) float64
        Largest absolute error of all lengths in each run, metres.
    """

    lengths: Array
    sigma: Array
    largest: Array

    def quantile(self, p: float) -> float:
        """Return the size that the largest error of a run stays below with chance p, metres."""
        return float(np.quantile(self.largest, p))


def lines_of(volume: Volume) -> Array:
    """Return the ends (7, 2, 3) of seven lines: along x, y and z in the middle, 4 diagonals."""
    x = (-volume.far, -volume.near)
    y = (-volume.half_width, volume.half_width)
    z = (volume.low, volume.high)
    mx, my, mz = (0.5 * sum(pair) for pair in (x, y, z))
    lines = [
        ((x[0], my, mz), (x[1], my, mz)),
        ((mx, y[0], mz), (mx, y[1], mz)),
        ((mx, my, z[0]), (mx, my, z[1])),
    ]
    lines += [((x[0], y[i], z[j]), (x[1], y[1 - i], z[1 - j])) for i in (0, 1) for j in (0, 1)]
    return np.array(lines)


def simulate_acceptance(
    left: Tower,
    right: Tower,
    target: Target,
    volume: Volume,
    sigma_px: float,
    tie: Array,
    seed: int,
    runs: int = 2000,
) -> Acceptance:
    """Simulate the plan many times over.

    Parameters
    ----------
    left, right : Tower
        Registered towers.
    target : Target
        Put at every end, square to the bay.
    volume : Volume
        Where.
    sigma_px : float
        Standard deviation of a corner's coordinate.
    tie : (6, 6) float64
        Covariance of ``T_left_right``; one draw a run, shared by all its lengths.
    seed, runs : int
        Of the simulation.

    Raises
    ------
    ConfigError
        A point isn't in its tower's picture.
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, key_digest("acceptance")]))
    ties = JointNormal(np.zeros(6), tie).draw(rng, runs)
    turns = np.array([exp_rotvec(t) for t in ties[:, :3]])
    lengths = np.zeros((7, LENGTHS))
    errors = np.zeros((runs, 7, LENGTHS))
    for i, (start, end) in enumerate(lines_of(volume)):
        for j in range(LENGTHS):
            stop = start + (j + 1) / LENGTHS * (end - start)
            measured = [
                _measured(p, left, right, target, sigma_px, turns, ties, rng)
                for p in (start, stop)
            ]
            lengths[i, j] = math.dist(start, stop)
            errors[:, i, j] = np.linalg.norm(measured[1] - measured[0], axis=1) - lengths[i, j]
    return Acceptance(lengths, errors.std(axis=0, ddof=1), np.abs(errors).max(axis=(1, 2)))


def _measured(
    p: Array,
    left: Tower,
    right: Tower,
    target: Target,
    sigma_px: float,
    turns: Array,
    ties: Array,
    rng: np.random.Generator,
) -> Array:
    """Return a point as measured (runs, 3), bay frame, by the tower on its side."""
    tower = left if p[1] >= 0.0 else right
    eye = tower.T_bay_camera
    T = eye.inverse() @ Pose(R_BAY_SQUARE_TARGET, p)
    points = target_points(target)
    try:
        seen = tower.camera.contains(project(points, T, tower.camera))
    except GeometryError:
        seen = False
    if not seen:
        place = ", ".join(f"{v:.2f}" for v in p)
        raise ConfigError(
            f"acceptance: the {tower.name} tower doesn't have a target at ({place}) m in its "
            "picture"
        )
    noise = pose_covariance(points, T, tower.camera, sigma_px)[3:, 3:]
    found = T.translation + JointNormal(np.zeros(3), noise).draw(rng, len(ties))
    if tower is left:
        return np.asarray(eye @ found)
    T_left_right = left.T_bay_camera.inverse() @ eye
    turned = np.einsum("nij,nj->ni", turns, found)
    in_left = turned @ T_left_right.rotation.T + T_left_right.translation + ties[:, 3:]
    return np.asarray(left.T_bay_camera @ in_left)
