"""Bar poses: what lists leave open, what the search finds, common practice as a case."""

from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
import pytest

from bench.errors import ConfigError, GeometryError
from bench.registration.bar_views import cameras_of, step_of, with_bar
from bench.registration.fit import register
from bench.registration.plan import (
    candidates,
    criterion,
    default_sequence,
    exchange,
    named_sets,
    plan_rows,
    progress,
    rehearsed_covariance,
)
from bench.scene.bar import Bar, BarPose, with_end_back
from bench.scene.load import load_bay
from reports.registration.lists import unmoved_list, usual_list


@pytest.fixture(scope="module")
def bay():
    shipped = load_bay()
    return with_bar(shipped, replace(shipped.bar, length_uncertainty=None))


@pytest.fixture(scope="module")
def found(bay):
    return default_sequence(bay)


# common practice, no source: six views, turned ±50 deg, an end one foot back, then the other


def test_first_two_usual_views_leave_a_turn_and_a_shift_along_the_bar_open(bay):
    steps = progress(bay, usual_list(bay, 50.0))
    # one relative motion, a turn about the bar: AX = YB leaves a turn about and a shift along
    # its axis (Tsai and Lenz 1989)
    assert [p.rank for p in steps[:2]] == [6, 10]
    words = " / ".join(d.words for d in steps[1].open)
    assert "the right tower turned about the bar's long axis" in words
    assert "the right tower shifted along the bar's long axis" in words
    assert all(p.is_determined for p in steps[2:])


def test_uncertainty_falls_with_every_usual_view(bay):
    steps = progress(bay, usual_list(bay, 50.0))
    for before, after in pairwise(steps[2:]):
        assert np.all(after.sigma_rotation < before.sigma_rotation)
        assert np.all(after.sigma_translation < before.sigma_translation)


def test_turning_by_20_degrees_costs_what_sines_say(bay):
    gentle = progress(bay, usual_list(bay, 20.0))[-1]
    steep = progress(bay, usual_list(bay, 50.0))[-1]
    # a turn by ±t moves what is off the axis by 2 sin t: what rests on it is sin 50 / sin 20 =
    # 2.2 times less certain, and more, since targets nearer to face-on tell their tilt worse
    assert gentle.sigma_rotation[0] > 2.2 * steep.sigma_rotation[0]
    assert np.all(gentle.sigma_rotation[[0, 2]] > steep.sigma_rotation[[0, 2]])


def test_ends_that_were_never_moved_leave_the_same_two_directions_open(bay):
    steps = progress(bay, unmoved_list(bay, 50.0))
    assert [p.rank for p in steps] == [6, 10, 10, 10, 10, 10]


def test_a_calibrated_length_closes_the_shift_along_the_bar(bay):
    calibrated = with_bar(bay, replace(bay.bar, length_uncertainty=2e-4))
    open_ = progress(calibrated, usual_list(bay, 50.0))[1].open
    assert [d.words for d in open_] == [
        "the right tower turned about the bar's long axis, together with target B turned on the "
        "bar about its long axis"
    ]


def test_search_beats_every_list_that_one_might_think_of(bay, found):
    best = progress(bay, found)[-1]
    for name, poses in named_sets(bay).items():
        last = progress(bay, poses)[-1]
        assert not last.is_determined or np.all(last.sigma_rotation > best.sigma_rotation), name


def test_search_finds_the_best_of_all_small_sets(bay):
    pool = candidates(bay)[::60]
    information = np.array([r.T @ r for r in plan_rows(bay, pool)])
    prior = np.zeros((12, 12))
    chosen = exchange(information, prior, 3, np.random.default_rng(0))
    every = [information[list(c)].sum(axis=0) for c in combinations(range(len(pool)), 3)]
    best = float(np.max(criterion(np.array(every))))
    # an exchange stops where no single swap helps; of these few hundred sets, that is the best
    assert float(criterion(information[chosen].sum(axis=0))) == pytest.approx(best, abs=1e-6)


def test_criterion_is_the_determinant_of_the_inverse_covariance(bay, found):
    rows = plan_rows(bay, found)
    information = sum(r.T @ r for r in rows)
    covariance = rehearsed_covariance(bay, found)
    _, log_det = np.linalg.slogdet(covariance)
    # of matrices of condition 1e10 or so: 1e-16 times that, in each of two factorisations
    assert float(criterion(information)) == pytest.approx(-log_det, abs=1e-4)


def test_same_seed_gives_the_same_sequence(bay, found):
    assert default_sequence(bay) == found


def test_rehearsed_covariance_is_that_of_the_fit(bay, found):
    steps = tuple(step_of(bay, pose, str(i)) for i, pose in enumerate(found))
    fit = register(steps, cameras_of(bay), bay.bar.T_a_b)
    np.testing.assert_allclose(
        np.sqrt(np.diag(rehearsed_covariance(bay, found))),
        np.sqrt(np.diag(fit.covariance_left_right)),
        rtol=1e-5,
    )


def test_covariance_goes_with_the_square_of_the_noise(bay, found):
    one, two = (rehearsed_covariance(bay, found, s) for s in (0.06, 0.12))
    np.testing.assert_allclose(two, 4.0 * one, rtol=1e-6, atol=1e-8 * np.max(two))


def test_open_directions_are_refused_by_name(bay):
    turns = named_sets(bay)["turns only"]
    with pytest.raises(GeometryError, match="turned about the bar's long axis"):
        rehearsed_covariance(bay, turns)


def test_a_pose_that_a_tower_cannot_see_is_named(bay, found):
    with pytest.raises(ConfigError, match=r"bar pose 2 .* tower sees no target"):
        progress(bay, (found[0], BarPose(0.3)))


def test_a_bar_that_fits_nowhere_is_refused(bay):
    with pytest.raises(ConfigError, match="of the bar poses that a plan may choose from"):
        default_sequence(with_bar(bay, Bar(length=15.0)))


def test_an_end_moved_back_leaves_the_other_where_it_was(bay):
    base = BarPose(3.0, 0.0, 0.4)
    moved = with_end_back(base, bay.bar, a=0.3)
    for pose, a_back in ((base, 0.0), (moved, 0.3)):
        T = pose.T_bay_bar
        assert (T @ bay.bar.T_bar_b).translation[0] == pytest.approx(-3.0)
        assert (T @ bay.bar.T_bar_a).translation[0] == pytest.approx(-3.0 - a_back)
    with pytest.raises(ConfigError, match="can't be moved back by 5 m"):
        with_end_back(base, bay.bar, a=5.0)


def test_bar_poses_have_the_signs_that_they_are_documented_with(bay):
    def ends(pose):
        T = pose.T_bay_bar
        return (T @ bay.bar.T_bar_a).translation, (T @ bay.bar.T_bar_b).translation, T.rotation

    a, b, R = ends(BarPose(3.0))
    assert a[1] > 0 > b[1]  # A on the vehicle's left
    np.testing.assert_allclose(R[:, 2], [1, 0, 0], atol=1e-12)  # faces toward the towers
    a, b, _ = ends(BarPose(3.0, heading=0.1))
    assert a[0] < b[0]  # A's end back
    a, b, _ = ends(BarPose(3.0, slope=0.1))
    assert a[2] > b[2]  # A's end up
    _, _, R = ends(BarPose(3.0, turn=0.1))
    assert R[2, 2] < 0  # faces look down
    a, b, R = ends(BarPose(3.0, turn=0.1, reversed=True))
    assert a[1] < 0 < b[1]
    assert R[2, 2] < 0
    assert R[0, 2] > 0.9
