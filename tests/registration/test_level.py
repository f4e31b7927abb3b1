"""Finding level with the bar: what the reversal cancels, what stays, honest covariances."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import chi2

from bench.errors import ConfigError, GeometryError
from bench.geometry.pose import Pose
from bench.registration.bar_views import T_left_right_of
from bench.registration.level import find_level, open_directions
from bench.registration.level_equations import BAR, HEIGHTS, SLOPES, Reference
from bench.registration.level_plan import default_plan, level_covariance, level_shares, planned_up
from bench.registration.level_rehearsal import Site, draw_settings, rehearse_level
from bench.scene.load import load_bay
from bench.scene.tower_pair import tower_pair


@pytest.fixture(scope="module")
def bay():
    return load_bay()


@pytest.fixture(scope="module")
def plan(bay):
    return default_plan(bay)


def exact(bay, plan, own=0.0, supports=0.0):
    """Return settings without noise, with a given error of the bar and of the supports' slope."""

    left, right = (tower.T_bay_camera for tower in tower_pair(bay))
    rng = np.random.default_rng(0)
    return draw_settings(
        bay, plan, Site(), (left, right), Pose.identity(), rng, fixed=(own, supports)
    )


def up_error(bay, level):
    up = tower_pair(bay)[0].T_bay_camera.rotation @ level.up("left").direction
    return np.cross([0.0, 0.0, 1.0], up)[:2]


REFERENCE = Reference("floor", 2e-4, 2e-4, 5e-4)


def test_reversal_cancels_the_bars_own_error(bay, plan):
    floor = replace(plan, kind="floor")
    own = 2e-3
    settings = exact(bay, floor, own=own)
    level = find_level(settings, REFERENCE, T_left_right_of(bay), expected=planned_up(bay))
    # second order in the error: 2e-3² / 2
    assert_allclose(up_error(bay, level), 0.0, atol=2e-6)
    assert_allclose(level.bar_error, own, rtol=2e-3)
    # without it the error goes whole into the level across the bay
    settings = [s for s in settings if not s.reversed]
    level = find_level(settings, REFERENCE, T_left_right_of(bay), expected=planned_up(bay))
    assert level.bar_error is None
    # "as planned within 5 deg" pulls back by (5.4e-4 / 0.09)² of it, 4e-5
    assert_allclose(abs(up_error(bay, level)[0]), own, rtol=1e-3)


def test_reversal_does_not_cancel_what_the_supports_do(bay, plan):
    floor = replace(plan, kind="floor", distances=plan.distances[:1])
    tilted = 1e-3
    settings = exact(bay, floor, supports=tilted)
    level = find_level(settings, REFERENCE, T_left_right_of(bay), expected=planned_up(bay))
    assert_allclose(abs(up_error(bay, level)[0]), tilted, rtol=1e-3)
    assert_allclose(level.bar_error, 0.0, atol=2e-6)


def test_shares_say_what_remains(bay, plan):
    both, once = level_shares(bay, plan), level_shares(bay, replace(plan, reversal=False))
    assert_allclose(both[BAR], 0.0)
    # the bar's own error passes whole: one placing the other way round would show it
    assert_allclose(np.sqrt(once[BAR][0, 0]), plan.bar_sigma, rtol=0.01)
    # along the bay the heights of near and far place rule: √2 σ over their distance
    apart = plan.distances[1] - plan.distances[0]
    assert_allclose(
        np.sqrt(both[HEIGHTS][1, 1]), np.sqrt(2.0) * plan.height_sigma / apart, rtol=0.01
    )
    # four fresh readings of the spirit level, averaged nearly evenly
    assert (
        bay.bar.level_sensitivity / 2.0
        <= np.sqrt(both[SLOPES][0, 0])
        < (bay.bar.level_sensitivity / np.sqrt(2.0))
    )


def test_one_distance_leaves_the_level_along_the_bay_open(bay, plan):
    covariance = level_covariance(bay, replace(plan, distances=plan.distances[:1]))
    whole = np.zeros((3, 3))
    whole[:2, :2] = covariance
    x, y = np.eye(3)[0], np.eye(3)[1]
    assert open_directions(whole, x, y) == "along the bay (a rotation about the bar's axis)"
    assert open_directions(np.zeros((3, 3)), x, y) == ""


@pytest.mark.slow
@pytest.mark.parametrize("way", ["level", "apart", "floor", "once"])
def test_claimed_covariance_is_honest_over_rehearsals(bay, plan, way):
    chosen = {
        "level": plan,
        "apart": replace(plan, registered=False),
        "floor": default_plan(bay, "floor"),
        "once": replace(plan, reversal=False, distances=plan.distances[:1]),
    }[way]
    n = 500 if way == "level" else 150
    found = rehearse_level(bay, chosen, n, 3, way)
    low, high = chi2.ppf([0.0005, 0.9995], n * found.dof)
    assert low < found.squared.sum() < high
    assert found.dof == (1 if way == "once" else 2)


def test_a_sloping_floor_matters_only_where_it_is_the_reference(bay, plan):
    steep = Site(floor_slope=0.02)
    level = rehearse_level(bay, plan, 20, 5, "slope", steep)
    floor = rehearse_level(bay, default_plan(bay, "floor"), 20, 5, "slope", steep)
    assert np.max(np.abs(level.gravity_errors)) < 2e-3
    assert np.sqrt(np.mean(floor.gravity_errors**2)) > 5e-3
    assert np.max(np.abs(floor.errors)) < 4e-3


def test_a_bar_that_was_not_turned_is_refused_by_place(bay, plan):
    with pytest.raises(
        GeometryError, match=r"bar at 3\.25 m, not reversed, left tower: .*turn it"
    ):
        find_level(exact(bay, replace(plan, turns=(0.5, 0.5))), REFERENCE)
    with pytest.raises(GeometryError, match="needs settings"):
        find_level([], REFERENCE)
    with pytest.raises(ConfigError, match="doesn't see the bar's target"):
        level_covariance(bay, replace(plan, distances=(0.3, 5.0)))
