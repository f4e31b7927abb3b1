"""A bay of common practice (no source; parameters of tests only): bearings worked out by hand."""

import math

import numpy as np
import pytest

from bench.scene.facts import sights
from bench.scene.load import load_bay
from bench.scene.model import wheels_of_tower

FOOT = 0.3048


@pytest.fixture
def bay(common_practice_bay, tmp_path):
    path = tmp_path / "common.toml"
    path.write_text(common_practice_bay, encoding="utf-8")
    return load_bay(path)


def bearing_deg(tower, point):
    """Return how far inward of straight along the bay a point appears, degrees."""
    x, y, _ = point - tower.T_bay_camera.translation
    return math.degrees(math.atan2(-y * np.sign(tower.placement.offset), -x))


def test_the_measures_are_read_in_feet(bay):
    assert bay.standoff == pytest.approx(2.7432)
    assert [t.placement.offset for t in bay.towers] == pytest.approx([1.9812, -1.9812])
    assert bay.vehicles[0].wheelbase == pytest.approx(15.24)
    assert bay.siting.spacing == pytest.approx((10 * FOOT, 15 * FOOT))


@pytest.mark.parametrize("side", [0, 1])
def test_bearings_of_the_wheels_by_hand(bay, side):
    tower = bay.towers[side]
    near, far = (bearing_deg(tower, w.centre) for w in wheels_of_tower(bay, tower))
    # sideways 1.9812 - 0.85 = 1.1312 m; along 9 ft = 2.7432 m: 1.1312 / 2.7432 = 0.41237, whose
    # arc tangent is 22.41 deg; along 59 ft = 17.9832 m: 0.062903, 3.599 deg
    assert near == pytest.approx(22.41, abs=0.005)
    assert far == pytest.approx(3.599, abs=0.0005)


def test_a_target_outboard_of_its_wheel_appears_less_far_inward(bay):
    tower = bay.towers[0]
    near, far = (
        bearing_deg(tower, w.T_bay_target.translation) for w in wheels_of_tower(bay, tower)
    )
    # 0.30 m less sideways: 0.8312 / 2.7432 = 0.30300, 16.86 deg; 0.8312 / 17.9832: 2.646 deg
    assert near == pytest.approx(16.86, abs=0.005)
    assert far == pytest.approx(2.646, abs=0.0005)


def test_near_targets_appear_inner_and_lower_than_far_ones(bay):
    for tower in bay.towers:
        near, far = (s for s in sights(bay) if s.tower == tower.name)
        # inner is the left of the left tower's picture: its right is the vehicle's left
        inward = 1.0 if tower.placement.offset > 0 else -1.0
        assert inward * (far.place[0] - near.place[0]) > 0.2
        assert near.place[1] - far.place[1] > 0.2
        assert near.whole
        assert far.whole
