"""Placements back from poses, and towers that lean."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from bench.errors import GeometryError
from bench.scene.model import Placement
from bench.scene.surroundings import Column
from bench.setting_out.placements import base_centre, leaning, placement_of

COLUMN = Column(reach=0.1)
SMALL = st.floats(-0.6, 0.6)
LENGTH = st.floats(-3.0, 3.0)


@given(LENGTH, st.floats(0.3, 3.0), LENGTH, SMALL, SMALL, SMALL)
def test_a_placement_comes_back_from_its_pose(offset, height, forward, yaw, pitch, roll):
    placement = Placement(offset, height, forward, yaw, pitch, roll)
    back = placement_of(placement.T_bay_camera())
    for name in ("offset", "height", "forward", "yaw", "pitch", "roll"):
        # products of three rotations: a few roundings of numbers up to 3
        assert getattr(back, name) == pytest.approx(getattr(placement, name), abs=1e-13)


def test_a_camera_that_looks_straight_down_has_no_yaw():
    with pytest.raises(GeometryError, match="straight up or down"):
        placement_of(Placement(1.0, 1.0, pitch=-0.5 * math.pi).T_bay_camera())


def test_a_tower_leans_about_its_base_by_hand():
    # 1.2 m high, 0.1 m before the base's middle, leaning back by atan(3/4)
    # sin 0.6, cos 0.8: x = 0.1 + (-0.1 * 0.8 + 1.2 * 0.6), z = 0.1 * 0.6 + 1.2 * 0.8
    back = leaning(Placement(1.5, 1.2), COLUMN, math.atan2(3.0, 4.0), 0.0)
    assert_allclose((back.forward, back.offset, back.height), (0.74, 1.5, 1.02), atol=1e-12)
    assert back.pitch == pytest.approx(math.atan2(3.0, 4.0))  # it looks up by what it leans back
    aside = leaning(Placement(1.5, 1.2), COLUMN, 0.0, math.atan2(3.0, 4.0))
    assert_allclose((aside.forward, aside.offset, aside.height), (0.0, 2.22, 0.96), atol=1e-12)
    # leaning to the vehicle's left is to the camera's right: clockwise from behind
    assert aside.roll == pytest.approx(math.atan2(3.0, 4.0))


def test_a_lean_keeps_the_camera_as_far_from_the_base_as_it_was():
    placement = Placement(1.5, 1.2, 0.05, 0.2, -0.2, 0.1)
    base = np.array([*base_centre(placement, COLUMN), 0.0])
    leant = leaning(placement, COLUMN, 0.03, -0.02)

    def distance(p):
        return np.linalg.norm(p.T_bay_camera().translation - base)

    assert distance(leant) == pytest.approx(distance(placement))


def test_a_plumb_tower_seen_from_a_floor_that_rises_toward_it_leans_away_from_the_vehicle():
    # the plumb line through the base goes uphill with respect to the floor's normal
    slope = math.radians(1.0)
    seen = leaning(Placement(1.5, 1.2), Column(reach=0.0), slope, 0.0)
    assert seen.forward == pytest.approx(1.2 * math.sin(slope))
