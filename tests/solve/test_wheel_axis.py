"""Run-out compensation: a wheel's axis and centre from poses of a target that isn't square."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import chi2, norm

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec, rotation_x
from bench.geometry.wheel_angles import axis_of_angles
from bench.solve.turning import axis_sigma, fit_turning, frame_about
from bench.solve.wheel_axis import wheel_axis

DEG = math.pi / 180.0
# On the wheel: normal 3 deg off the axis and off its centre by 8 and -5 mm, 0.25 m outboard. The
# target's z is outward and its x forward while the wheel is at its middle reading.
T_WHEEL_TARGET = Pose(exp_rotvec(np.array([0.04, -0.035, 0.2])), np.array([0.008, -0.005, 0.25]))
# A pose's noise: rotation 0.02, 0.03, 0.005 deg, place 0.05, 0.05, 0.4 mm, and correlated
SIGMA = np.array([0.02 * DEG, 0.03 * DEG, 0.005 * DEG, 0.05e-3, 0.05e-3, 0.4e-3])
MIX = np.eye(6) + 0.3 * np.tri(6, k=-1)
NOISE = np.diag(SIGMA) @ MIX @ MIX.T @ np.diag(SIGMA)


def poses_of(rolls, radius=0.31, toe=0.3 * DEG, camber=-1.2 * DEG, rolling=True):
    """Return T_frame_target of a left wheel, outward axis along its z, at each angle of roll."""
    axis = axis_of_angles(toe, camber, "left")
    # the wheel's frame: z outward, x forward as it lies at roll 0; rolling forward is a
    # right-handed turn about +y, the outward axis of a left wheel
    forward = np.cross(axis, [0.0, 0.0, 1.0])
    forward /= np.linalg.norm(forward)
    wheel = np.column_stack((forward, np.cross(axis, forward), axis))
    centre = np.array([-2.4, 0.75, 0.31])
    found = []
    for roll in rolls:
        place = centre + ([radius * (roll - rolls[-1]), 0.0, 0.0] if rolling else np.zeros(3))
        found.append(Pose(exp_rotvec(roll * axis) @ wheel, place) @ T_WHEEL_TARGET)
    return axis, centre, found


def noisy(poses, rng, noise=NOISE):
    root = np.linalg.cholesky(noise)
    found = []
    for pose in poses:
        n = root @ rng.standard_normal(6)
        found.append(Pose(pose.rotation @ exp_rotvec(n[:3]), pose.translation + n[3:]))
    return found


OUT = np.array([0.0, 1.0, 0.0])
UP = np.array([0.0, 0.0, 1.0])


@pytest.mark.parametrize(
    ("rolls", "rolling"),
    [
        ([-30, 0, 30], True),
        ([0, 25, 50, 75], True),
        (list(range(0, 360, 60)), False),
        ([0, 90], False),
    ],
)
def test_axis_and_centre_come_back_without_noise(rolls, rolling):
    axis, centre, poses = poses_of([r * DEG for r in rolls], rolling=rolling)
    found = wheel_axis(poses, [NOISE] * len(poses), OUT, 0.25, UP if rolling else None)
    assert_allclose(found.axis, axis, atol=1e-9)
    assert_allclose(found.centre, centre, atol=1e-6)
    assert_allclose(np.diff(found.turning.angles) / DEG, np.diff(rolls), atol=1e-7)
    assert_allclose(found.run_out, math.acos(T_WHEEL_TARGET.rotation[2, 2]), atol=1e-9)
    assert found.turning.chi2 < 1e-9


@pytest.mark.parametrize("yaw_deg", [0.2, 0.8, 3.0, 20.0])
def test_a_vehicle_that_stands_askew_has_its_centres_where_they_are(yaw_deg):
    axis, centre, poses = poses_of([-30 * DEG, 0.0, 30 * DEG])
    stand = Pose(exp_rotvec(np.array([0.0, 0.0, yaw_deg * DEG])), np.zeros(3))
    found = wheel_axis([stand @ p for p in poses], [NOISE] * 3, OUT, 0.25, UP)
    assert_allclose(found.axis, stand.rotation @ axis, atol=1e-9)
    assert_allclose(found.centre, stand @ centre, atol=1e-9)


def test_places_that_no_rolling_gives_are_told():
    p = []
    for seed in range(60):
        _, _, poses = poses_of([r * DEG for r in (-30, 0, 30)])
        found = wheel_axis(noisy(poses, np.random.default_rng(seed)), [NOISE] * 3, OUT, 0.25, UP)
        p.append(found.place_p_value)
    # uniform by noise alone: Fisher's sum, neither tail beyond 1 in 10,000
    assert 1e-4 < chi2.cdf(-2.0 * np.sum(np.log(p)), 2 * len(p)) < 1.0 - 1e-4
    # along the axis; across it a foot elsewhere explains what the middle of three readings does
    wrong = list(poses)
    wrong[1] = Pose(poses[1].rotation, poses[1].translation + [0.0, 0.01, 0.0])
    assert wheel_axis(wrong, [NOISE] * 3, OUT, 0.25, UP).place_p_value < 1e-6


def test_two_readings_of_a_rolling_wheel_give_the_axis_and_take_the_mount_for_its_centre():
    axis, centre, poses = poses_of([0.0, 40.0 * DEG])
    found = wheel_axis(poses, [NOISE] * 2, OUT, 0.25, UP)
    assert_allclose(found.axis, axis, atol=1e-9)
    assert found.centre_source == "mount"
    # off by the target's own eccentricity, sqrt(8² + 5²) = 9.43 mm
    assert_allclose(np.linalg.norm(found.centre - centre), 9.434e-3, atol=1e-5)
    assert found.turning.dof == 0
    assert found.turning.p_value == 1.0


@pytest.mark.parametrize(
    ("rolls", "rolling", "play"),
    [
        ([0, 40], True, 0.0),
        ([-30, 0, 30], True, 0.0),
        ([-30, 0, 30], True, 0.03 * DEG),
        (list(range(0, 360, 60)), False, 0.0),
    ],
)
def test_covariance_is_honest_over_many_draws(rolls, rolling, play):
    n = 200
    axis, centre, poses = poses_of([r * DEG for r in rolls], rolling=rolling)
    rng = np.random.default_rng([7, len(rolls), int(rolling), int(play > 0)])
    told = wheel_axis(poses, [NOISE] * len(poses), OUT, 0.25, UP if rolling else None)
    whole = told.centre_source == "turning"
    squares, left = [], []
    for _ in range(n):
        # play turns the wheel about its own centre, so that the target moves with it
        played = [
            Pose(w @ p.rotation, p.translation)
            for p in poses
            for w in [exp_rotvec(play * rng.standard_normal(3))]
        ]
        found = wheel_axis(
            noisy(played, rng),
            [NOISE] * len(poses),
            OUT,
            0.25,
            UP if rolling else None,
            play=play,
        )
        # δ turns the true axis into the found one; it has no part along the axis
        across = frame_about(axis)[:, :2]
        delta = np.cross(axis, found.axis) @ across
        error, basis = delta, np.zeros((6, 2))
        basis[:3] = across
        if whole and play == 0.0:
            error = np.concatenate((delta, found.centre - centre))
            basis = np.zeros((6, 5))
            basis[:3, :2], basis[3:, 2:] = across, np.eye(3)
        covariance = basis.T @ found.covariance @ basis
        squares.append(error @ np.linalg.solve(covariance, error))
        left.append(found.turning.chi2)
    # the sum of n squared normalised errors is chi-square: two-sided 99.9 % (our own choice:
    # one false alarm in a thousand seeds; the seed is fixed)
    degrees = n * (5 if whole and play == 0.0 else 2)
    assert chi2.ppf(0.0005, degrees) < sum(squares) < chi2.ppf(0.9995, degrees)
    if told.turning.dof:
        degrees = n * told.turning.dof
        assert chi2.ppf(0.0005, degrees) < sum(left) < chi2.ppf(0.9995, degrees)


@pytest.mark.parametrize("roll_deg", [8.0, 20.0, 60.0, 180.0])
def test_uncertainty_falls_with_half_the_sine_of_half_the_roll(roll_deg):
    # closed form for two readings and isotropic noise: √2 σ / (2 sin(φ/2))
    sigma = 0.02 * DEG
    closed = math.sqrt(2.0) * sigma / (2.0 * math.sin(0.5 * roll_deg * DEG))
    assert_allclose(axis_sigma(sigma, [0.0, roll_deg * DEG]), closed, rtol=1e-12)
    n = 200
    axis, _, poses = poses_of([0.0, roll_deg * DEG])
    rng = np.random.default_rng([11, int(roll_deg)])
    noise = np.diag([sigma**2] * 3 + [1e-10] * 3)
    errors = []
    for _ in range(n):
        rotations = [p.rotation for p in noisy(poses, rng, noise)]
        found = fit_turning(rotations, [noise[:3, :3]] * 2, OUT).axis
        errors.append(np.cross(axis, found) @ frame_about(axis)[:, :2])
    # two components, n draws: the variance's relative scatter is √(2 / 2n), 7.1 %; 3.5 of them
    slack = 3.5 / math.sqrt(n)
    assert abs(np.mean(np.square(errors)) / closed**2 - 1.0) < slack


def test_many_readings_over_a_full_turn_reach_the_best_there_is():
    # m = 0: σ / √N
    rolls = [2.0 * math.pi * k / 8 for k in range(8)]
    assert_allclose(axis_sigma(1.0, rolls), 1.0 / math.sqrt(8.0), rtol=1e-12)
    assert axis_sigma(1.0, [0.3, 0.3]) == math.inf


def test_residuals_tell_a_bearing_that_wobbles():
    _, _, poses = poses_of([-40.0 * DEG, -20 * DEG, 0.0, 20.0 * DEG, 40 * DEG])
    rng = np.random.default_rng(3)
    noise = np.diag([(0.01 * DEG) ** 2] * 3 + [1e-10] * 3)
    seen = []
    for wobble in (0.0, 0.1 * DEG):
        p_values, wobbles = [], []
        for _ in range(60):
            played = [
                Pose(exp_rotvec(wobble * rng.standard_normal(3)) @ p.rotation, p.translation)
                for p in poses
            ]
            found = fit_turning(
                [p.rotation for p in noisy(played, rng, noise)], [noise[:3, :3]] * 5, OUT
            )
            p_values.append(found.p_value)
            wobbles.append(found.wobble)
        seen.append((np.mean(np.array(p_values) < 0.01), np.sqrt(np.mean(np.square(wobbles)))))
    # without wobble p is uniform: 60 trials at 0.01 exceed 5 less than once in 3,000
    assert seen[0][0] <= 5 / 60
    assert seen[1][0] > 0.99
    # 60 x 6 degrees of freedom: relative scatter of the root mean square 1/√720, 3.7 %
    expected = math.hypot(0.1, 0.01) * DEG
    assert abs(seen[1][1] / expected - 1.0) < norm.ppf(0.9995) / math.sqrt(720)


def test_a_wheel_that_did_not_roll_is_refused_by_name():
    _, _, poses = poses_of([0.0, 0.0])
    with pytest.raises(GeometryError, match=r"turned by 0\.00 deg only.*turn it farther"):
        wheel_axis(poses, [NOISE] * 2, OUT, 0.25, UP)
    _, _, poses = poses_of([0.0, 0.1 * DEG])
    with pytest.raises(GeometryError, match=r"turned by 0\.10 deg only.*uncertain by"):
        wheel_axis(poses, [NOISE] * 2, OUT, 0.25, UP)
    with pytest.raises(GeometryError, match="two readings or more, got 1"):
        wheel_axis(poses[:1], [NOISE], OUT, 0.25, UP)


def test_a_target_on_its_head_or_seen_from_elsewhere_gives_the_same_axis():
    axis, _, poses = poses_of([-30.0 * DEG, 0.0, 30.0 * DEG])
    elsewhere = Pose(rotation_x(1.0), np.array([1.0, 2.0, 3.0]))
    found = fit_turning(
        [(elsewhere @ p).rotation @ np.diag([-1.0, -1.0, 1.0]) for p in poses],
        [NOISE[:3, :3]] * 3,
        elsewhere.rotation @ OUT,
    )
    assert_allclose(found.axis, elsewhere.rotation @ axis, atol=1e-9)
