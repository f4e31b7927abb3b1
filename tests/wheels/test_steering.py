"""Caster and inclination from a sweep, and the trade's formula with its error."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import chi2

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.geometry.wheel_angles import axis_of_angles, steering_axis_of_angles
from bench.wheels.steering import (
    SWEEP,
    caster_by_camber,
    formula_error,
    steered_axis,
    steering_axis,
    steering_axis_of_cone,
)

DEG = math.pi / 180.0
UP = np.array([0.0, 0.0, 1.0])
TARGET = exp_rotvec(np.array([1.1, 0.2, -0.4]))


def sweep_poses(caster, inclination, side, steers):
    axis = steering_axis_of_angles(caster, inclination, side)
    return [Pose(exp_rotvec(s * axis) @ TARGET, np.zeros(3)) for s in steers]


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_braked_wheels_sweep_gives_caster_and_inclination_back(side):
    poses = sweep_poses(6 * DEG, 13 * DEG, side, [-20 * DEG, 0.0, 20 * DEG])
    found = steering_axis(poses, [1e-8 * np.eye(6)] * 3, UP)
    angles, _ = found.angles(np.eye(3), side)
    assert_allclose(angles / DEG, [6.0, 13.0], atol=1e-7)
    # in a vehicle that stands askew the same
    turn = exp_rotvec(np.array([0.02, -0.01, 0.5]))
    moved = [Pose(turn @ p.rotation, p.translation) for p in poses]
    found = steering_axis(moved, [1e-8 * np.eye(6)] * 3, turn @ UP)
    assert_allclose(found.angles(turn, side)[0] / DEG, [6.0, 13.0], atol=1e-7)


def test_a_rolling_wheels_axes_lie_on_a_cone():
    spin = axis_of_angles(0.1 * DEG, -0.8 * DEG, "left")
    axes = [steered_axis(spin, 6 * DEG, 13 * DEG, "left", s * DEG) for s in (-20, -7, 5, 20)]
    assert_allclose(
        steering_axis_of_cone(axes, UP),
        steering_axis_of_angles(6 * DEG, 13 * DEG, "left"),
        atol=1e-10,
    )
    with pytest.raises(GeometryError, match="fewer than three"):
        steering_axis_of_cone(axes[:2], UP)


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
        angles, covariance = steering_axis(seen, [noise] * 4, UP).angles(np.eye(3), "right")
        error = angles - np.array([5.0, 12.0]) * DEG
        total += error @ np.linalg.solve(covariance, error)
    assert chi2.ppf(0.0005, 2 * n) < total < chi2.ppf(0.9995, 2 * n)


def test_the_trades_formula_by_hand():
    # common practice, no source: camber -0.5 deg out at 20 deg, -3.92 in, is
    # 3.42 / (2 · 0.3420201) = 5.0 deg
    assert_allclose(caster_by_camber(-0.5 * DEG, -3.92 * DEG) / DEG, 4.99971, atol=1e-4)
    with pytest.raises(GeometryError, match="sweep"):
        caster_by_camber(0.0, 0.0, 0.0)


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_trades_formula_errs_by_second_order_only(side):
    spin = axis_of_angles(0.0, 0.0, side)
    # the sign is caster's, whichever the side
    assert abs(formula_error(spin, 5 * DEG, 0.0, side)) < 0.05 * DEG
    # halving all angles leaves at most a quarter of the error (second order or higher)
    whole = formula_error(axis_of_angles(0.0, -2 * DEG, side), 6 * DEG, 14 * DEG, side)
    half = formula_error(axis_of_angles(0.0, -1 * DEG, side), 3 * DEG, 7 * DEG, side)
    assert abs(half) < 0.3 * abs(whole)
    # for a usual car (5 deg, 13 deg, -1 deg of camber, 20 deg of sweep) it stays below 0.05 deg,
    # a product of three such angles: 5 deg · 13 deg · 20 deg / (57 deg)² = 0.4 deg bounds it
    usual = formula_error(axis_of_angles(0.1 * DEG, -DEG, side), 5 * DEG, 13 * DEG, side)
    assert 0.0 < abs(usual) < 0.05 * DEG
    assert pytest.approx(20 * DEG) == SWEEP


def test_a_wheel_that_was_not_steered_is_refused():
    poses = sweep_poses(5 * DEG, 12 * DEG, "left", [0.1, 0.1])
    with pytest.raises(GeometryError, match="turn it farther"):
        steering_axis(poses, [1e-8 * np.eye(6)] * 2, UP)
