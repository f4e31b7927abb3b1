"""Caster and inclination from a sweep."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import chi2

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.geometry.wheel_angles import steering_axis_of_angles
from bench.solve.turning import fit_turning
from bench.wheels.steering import steering_angles

DEG = math.pi / 180.0
UP = np.array([0.0, 0.0, 1.0])
TARGET = exp_rotvec(np.array([1.1, 0.2, -0.4]))


def swept(poses, noise, up):
    """Return the axis that poses turn about, each with a covariance (6, 6)."""
    return fit_turning([p.rotation for p in poses], [noise[:3, :3]] * len(poses), up)


def sweep_poses(caster, inclination, side, steers):
    axis = steering_axis_of_angles(caster, inclination, side)
    return [Pose(exp_rotvec(s * axis) @ TARGET, np.zeros(3)) for s in steers]


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_braked_wheels_sweep_gives_caster_and_inclination_back(side):
    poses = sweep_poses(6 * DEG, 13 * DEG, side, [-20 * DEG, 0.0, 20 * DEG])
    found = swept(poses, 1e-8 * np.eye(6), UP)
    angles, _ = steering_angles(found, np.eye(3), side)
    assert_allclose(angles / DEG, [6.0, 13.0], atol=1e-7)
    # in a vehicle that stands askew the same
    turn = exp_rotvec(np.array([0.02, -0.01, 0.5]))
    moved = [Pose(turn @ p.rotation, p.translation) for p in poses]
    found = swept(moved, 1e-8 * np.eye(6), turn @ UP)
    assert_allclose(steering_angles(found, turn, side)[0] / DEG, [6.0, 13.0], atol=1e-7)


def test_covariance_of_caster_and_inclination_is_honest():
    sigma = np.diag([0.02, 0.03, 0.01]) * DEG
    noise = np.zeros((6, 6))
    noise[:3, :3] = sigma**2
    poses = sweep_poses(5 * DEG, 12 * DEG, "right", [-20 * DEG, -10 * DEG, 10 * DEG, 20 * DEG])
    rng = np.random.default_rng(17)
    n, total = 500, 0.0
    for _ in range(n):
        seen = [
            Pose(p.rotation @ exp_rotvec(sigma @ rng.standard_normal(3)), p.translation)
            for p in poses
        ]
        angles, covariance = steering_angles(swept(seen, noise, UP), np.eye(3), "right")
        error = angles - np.array([5.0, 12.0]) * DEG
        total += error @ np.linalg.solve(covariance, error)
    assert chi2.ppf(0.0005, 2 * n) < total < chi2.ppf(0.9995, 2 * n)


def test_a_wheel_that_was_not_steered_is_refused():
    poses = sweep_poses(5 * DEG, 12 * DEG, "left", [0.1, 0.1])
    with pytest.raises(GeometryError, match="turn it farther"):
        swept(poses, 1e-8 * np.eye(6), UP)
