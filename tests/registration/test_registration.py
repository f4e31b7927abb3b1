"""Registration: the model's derivatives, exact data, what is refused, what residuals tell."""

from dataclasses import replace

import numpy as np
import pytest
from fixtures.bar_lists import both_ways
from scipy.stats import chi2

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.registration.bar_views import T_left_right_of, cameras_of, step_of, unknowns_of
from bench.registration.checks import (
    alarms,
    checks,
    length_deviation,
    on_the_right,
    refuse_length,
)
from bench.registration.fit import register
from bench.registration.model import Model
from bench.registration.rank import directions, rank, shared_covariance, shared_rows
from bench.registration.rehearsal import Errors, Faults, draw_scene, error_of, find_points
from bench.registration.sights import MeasuredPose, Step, own_poses
from bench.registration.start import bar_from_rotations, starts
from bench.registration.systematic import Causes
from bench.registration.table import measured_steps
from bench.scene.bar import BarPose
from bench.scene.load import load_bay


@pytest.fixture(scope="module")
def bay():
    return load_bay()


@pytest.fixture(scope="module")
def poses(bay):
    return both_ways(bay, 45.0)


def answer(found, causes):
    """What the causes do to T_left_right, found by a registration that knows of them."""
    model = found.model
    again = register(model.steps, model.cameras, model.start.T_a_b, model.length, causes=causes)
    return again.answer[:6]


def seen(bay, poses, corner_px=0.06, faults=None, seed=1):
    errors = Errors(corner_px=corner_px)
    rng = np.random.default_rng(seed)
    scene = draw_scene(bay, poses, errors, faults or Faults(), rng)
    return find_points(bay, scene, errors, rng)


@pytest.fixture(scope="module")
def found(bay, poses):
    return register(seen(bay, poses), cameras_of(bay), bay.bar.T_a_b)


@pytest.mark.parametrize("measured", [False, True])
def test_jacobian_matches_finite_differences(bay, poses, measured):
    steps = seen(bay, poses[:3])
    if measured:
        steps = measured_steps(steps, cameras_of(bay))
    model = Model(steps, cameras_of(bay), unknowns_of(bay, poses[:3]), (1.9, 1e-3))
    rng = np.random.default_rng(0)
    x = 0.02 * rng.standard_normal(model.n_parameters)  # away from zero: increments are curved
    analytic = model.jacobian(x).toarray()
    h = 1e-6
    for column in range(model.n_parameters):
        e = np.zeros_like(x)
        e[column] = h
        numeric = (model.residuals(x + e) - model.residuals(x - e)) / (2.0 * h)
        # central differences: truncation h² of third derivatives, and rounding 1e-16 r/h with
        # residuals up to 1e4 standard deviations here
        scale = np.max(np.abs(analytic[:, column])) + 1.0
        np.testing.assert_allclose(analytic[:, column] / scale, numeric / scale, atol=1e-6)


def test_exact_sights_give_the_transform_from_the_closed_form_alone(bay, poses):
    steps = tuple(step_of(bay, pose, str(i)) for i, pose in enumerate(poses))
    own = own_poses(steps, cameras_of(bay))
    closed = bar_from_rotations(own, len(steps))
    # exact pixels give poses to 1e-8 rad (their Newton steps stop there); the weak direction of
    # this list takes it 100 times as far
    assert np.max(np.abs(error_of(closed, bay.bar.T_a_b))) < 1e-5
    guess = starts(steps, cameras_of(bay), bay.bar.T_a_b)[0]
    assert np.max(np.abs(error_of(guess.T_left_right, T_left_right_of(bay)))) < 1e-5
    joint = register(steps, cameras_of(bay), Pose.identity())
    assert np.max(np.abs(error_of(joint.T_left_right, T_left_right_of(bay)))) < 1e-8


def test_closed_form_takes_a_bar_laid_end_for_end(bay, poses):
    turned = (*poses[:3], *(replace(pose, reversed=True) for pose in poses[3:]))
    steps = tuple(step_of(bay, pose, str(i)) for i, pose in enumerate(turned))
    closed = bar_from_rotations(own_poses(steps, cameras_of(bay)), len(steps))
    assert np.max(np.abs(error_of(closed, bay.bar.T_a_b))) < 1e-5
    joint = register(steps, cameras_of(bay), bay.bar.T_a_b)
    assert np.max(np.abs(error_of(joint.T_left_right, T_left_right_of(bay)))) < 1e-8
    assert on_the_right(joint) == (False,) * 3 + (True,) * 3


def test_noise_leaves_an_error_that_the_covariance_expects(bay, found):
    error = error_of(found.T_left_right, T_left_right_of(bay))
    statistic = error @ np.linalg.solve(found.covariance_left_right, error)
    assert chi2.sf(statistic, 6) > 1e-4  # one draw: 1 in 10,000 by chance
    assert found.p_value > 1e-4


def test_measured_poses_give_what_their_points_give(bay, poses, found):
    steps = measured_steps(seen(bay, poses), cameras_of(bay))
    by_poses = register(steps, cameras_of(bay), bay.bar.T_a_b)
    # a pose with its covariance is its points' information to first order in the noise; pose
    # errors of 0.3 degrees at worst make the second order under a twentieth
    change = error_of(by_poses.T_left_right, found.T_left_right)
    sigma = np.sqrt(np.diag(found.covariance_left_right / found.variance_factor))
    assert np.all(np.abs(change) < 0.25 * sigma)
    ratio = np.sqrt(np.diag(by_poses.covariance_left_right)) / sigma
    assert np.all(np.abs(ratio - 1.0) < 0.1)


def test_two_steps_are_refused(bay, poses):
    with pytest.raises(GeometryError, match=r"at least 3 poses .* got 2"):
        register(seen(bay, poses[:2]), cameras_of(bay), bay.bar.T_a_b)


def test_a_step_that_one_tower_missed_is_named(bay, poses):
    steps = list(seen(bay, poses))
    steps[2] = Step("step 3", tuple(s for s in steps[2].sights if s.tower == "left"))
    with pytest.raises(GeometryError, match="step 3: the right tower sees no target"):
        register(steps, cameras_of(bay), bay.bar.T_a_b)


def test_parallel_poses_are_refused_with_the_directions_named(bay):
    distance, height = 1.2 * bay.standoff, bay.bar.heights[0]
    along = [BarPose(distance + 0.1 * i, 0.0, height, turn=0.3) for i in range(4)]
    steps = tuple(step_of(bay, pose, f"step {i + 1}") for i, pose in enumerate(along))
    with pytest.raises(GeometryError) as refused:
        register(steps, cameras_of(bay), bay.bar.T_a_b)
    message = str(refused.value)
    # R_A t_Y + t_A = R_X t_B + t_X with R_A constant: t_Y's three go unseen with t_X, and moves
    # t_A - t_A' = R_X (t_B - t_B') along one line leave a turn about that line
    assert "leave 4 directions undetermined" in message
    assert "the right tower turned about the line from the towers to the bar" in message


def test_turns_about_the_long_axis_leave_a_turn_and_a_shift_open(bay):
    distance, height = 1.2 * bay.standoff, bay.bar.heights[0]
    turns = [BarPose(distance, 0.0, height, turn=t) for t in np.radians([-48, -16, 11, 44])]
    steps = tuple(step_of(bay, pose, f"step {i + 1}") for i, pose in enumerate(turns))
    with pytest.raises(GeometryError) as refused:
        register(steps, cameras_of(bay), bay.bar.T_a_b)
    message = str(refused.value)
    assert "leave 2 directions undetermined" in message
    assert "the right tower turned about the bar's long axis" in message
    assert "the right tower shifted along the bar's long axis" in message


def test_information_of_steps_adds_up_to_the_joint_covariance(found):
    rows = shared_rows(found.model)
    assert np.allclose(
        shared_covariance(rows)[:6, :6],
        found.covariance_left_right / found.variance_factor,
        rtol=1e-2,  # Huber's weights are in the one and not in the other
    )
    principal = directions(rows, found.unknowns)
    assert rank(principal) == 12
    assert [d.singular_value for d in principal] == sorted(d.singular_value for d in principal)


@pytest.mark.slow
def test_residual_checks_are_quiet_when_nothing_is_wrong_and_uniform(bay, poses):
    # p-values of one kind of check over independent draws are uniform; 40 draws, four kinds
    p = np.array(
        [
            [
                c.p_value
                for c in checks(
                    register(seen(bay, poses, seed=seed), cameras_of(bay), bay.bar.T_a_b)
                )
            ]
            for seed in range(24)
        ]
    )
    for column in p.T:
        # Fisher's sum of -2 ln p has 2 n degrees: neither tail beyond 1 in 10,000
        total = -2.0 * np.sum(np.log(column))
        assert 1e-4 < chi2.cdf(total, 2 * len(column)) < 1.0 - 1e-4


def test_a_slipped_target_is_found_with_its_step(bay, poses):
    slip = Faults(slip=(0.0, 0.0, np.radians(1.0)), slip_step=3)
    found = register(seen(bay, poses, faults=slip), cameras_of(bay), bay.bar.T_a_b)
    worst = alarms(found)
    assert worst
    slips = [c for c in checks(found) if "slipped" in c.name]
    best = min(slips, key=lambda c: c.p_value)
    assert best.name == "a target slipped before step 4"
    assert np.degrees(np.linalg.norm(best.estimate[:3])) == pytest.approx(1.0, abs=0.2)


def test_targets_of_unlike_size_are_found(bay, poses):
    faulty = seen(bay, poses, faults=Faults(size_a=1.01))
    found = register(faulty, cameras_of(bay), bay.bar.T_a_b)
    sizes = next(c for c in checks(found) if "sizes" in c.name)
    assert sizes.p_value < 1e-3
    assert sizes.estimate[0] == pytest.approx(0.01, rel=0.3)


@pytest.mark.slow
def test_a_bar_whose_length_disagrees_is_refused(bay, poses):
    length = (bay.bar.length, 2e-4)
    steps = seen(bay, poses, faults=Faults(size_a=1.01, size_b=1.01))
    found = register(steps, cameras_of(bay), bay.bar.T_a_b, length)
    assert abs(length_deviation(found)) > 3.0
    with pytest.raises(GeometryError, match=r"bar's length of 1900\.00 mm .* disagrees"):
        refuse_length(found)


def test_a_step_whose_pictures_show_two_bar_poses_is_named(bay, poses):
    steps = list(seen(bay, poses, seed=5))
    other = step_of(bay, replace(poses[2], distance=3.1, heading=np.radians(-20.0)), "other")
    own = tuple(s for s in steps[2].sights if s.tower == "left")
    steps[2] = Step("step 3", (*own, *(s for s in other.sights if s.tower == "right")))
    found = register(steps, cameras_of(bay), bay.bar.T_a_b, (bay.bar.length, 2e-4))
    with pytest.raises(GeometryError, match=r"without step 3 all agrees\. Do the two pictures"):
        refuse_length(found)


def test_a_right_length_is_not_refused(bay, poses):
    found = register(seen(bay, poses), cameras_of(bay), bay.bar.T_a_b, (bay.bar.length, 2e-4))
    refuse_length(found)


def test_camera_and_size_errors_move_the_transform_as_predicted(bay, poses):
    steps = tuple(step_of(bay, pose, str(i)) for i, pose in enumerate(poses))
    cameras = cameras_of(bay)
    found = register(steps, cameras, bay.bar.T_a_b)
    # real camera: 1 px more of fx; the believed one solves its pictures
    left = replace(cameras.left, fx=cameras.left.fx - 0.1)
    moved = register(steps, replace(cameras, left=left), bay.bar.T_a_b)
    change = error_of(moved.T_left_right, found.T_left_right)
    predicted = 0.1 * answer(found, Causes({"left": np.eye(9)[:, :1]}))[:, 0]
    np.testing.assert_allclose(change, predicted, rtol=0.02, atol=1e-7)
    # both targets larger than believed: everything is as much farther, angles stay
    both = answer(found, Causes(size=1.0)).sum(axis=1)
    np.testing.assert_allclose(both[:3], 0.0, atol=1e-6)
    np.testing.assert_allclose(both[3:], -found.T_left_right.translation, rtol=1e-4, atol=1e-6)


def test_poses_from_pictures_follow_a_camera_error_as_predicted(bay, poses):
    steps = tuple(step_of(bay, pose, str(i)) for i, pose in enumerate(poses))
    cameras = cameras_of(bay)
    left = replace(cameras.left, cx=cameras.left.cx - 0.2, fy=cameras.left.fy + 0.1)
    believed = replace(cameras, left=left)
    found, moved = (
        register(measured_steps(steps, c), c, bay.bar.T_a_b) for c in (cameras, believed)
    )
    change = error_of(moved.T_left_right, found.T_left_right)
    predicted = answer(found, Causes({"left": np.eye(9)})) @ [0, -0.1, 0.2, 0, 0, 0, 0, 0, 0]
    # a principal point that is 0.2 px off turns what the camera sees by 0.2 px / f about its y
    assert abs(change[1]) > 0.5 * 0.2 / cameras.left.fx
    np.testing.assert_allclose(change, predicted, rtol=0.02, atol=2e-7)
    # a table's poses come without points
    alone = tuple(
        Step(s.name, tuple(replace(p, p_target=None) for p in s.sights))
        for s in measured_steps(steps, cameras)
    )
    unmoved = register(alone, cameras, bay.bar.T_a_b, causes=Causes({"left": np.eye(9)}))
    assert not np.any(unmoved.answer)


def test_a_covariance_that_is_not_one_is_refused():
    with pytest.raises(GeometryError, match="target A seen by the left tower"):
        MeasuredPose("left", "A", Pose.identity(), np.diag([1.0, 1, 1, 1, 1, -1]))
