"""Anchor points, square check and aim points, by hand."""

import math

import numpy as np
import pytest

from bench.scene.load import load_bay
from bench.scene.model import Placement, Tower
from bench.scene.surroundings import Column
from bench.setting_out.cautions import CAUTIONS
from bench.setting_out.dimensions import (
    ANCHORS,
    Anchor,
    SquareCheck,
    aim_point,
    anchors_of,
    square_check,
)

BAY = load_bay()
COLUMN = Column(anchors_across=0.32, anchors_along=0.30, reach=0.10)


def test_anchor_points_by_hand():
    found = {a.name: (a.x, a.y) for a in anchors_of(Placement(1.6, 1.1, 0.02), COLUMN)}
    # base 0.10 behind the camera: its middle at x = 0.12; front is toward the vehicle, -x
    assert found["inner_front"] == pytest.approx((-0.03, 1.44))
    assert found["outer_front"] == pytest.approx((-0.03, 1.76))
    assert found["inner_back"] == pytest.approx((0.27, 1.44))
    assert found["outer_back"] == pytest.approx((0.27, 1.76))
    assert tuple(found) == ANCHORS


def test_the_right_towers_anchor_points_mirror_the_lefts():
    left = anchors_of(Placement(1.6, 1.1), COLUMN)
    right = anchors_of(Placement(-1.6, 1.1), COLUMN)
    for a, b in zip(left, right, strict=True):
        assert (a.name, a.x, a.y) == (b.name, b.x, -b.y)


def test_diagonals_of_a_three_by_four_rectangle_are_five():
    check = SquareCheck(half=1.5, along=4.0)
    assert (check.across, check.diagonal) == (3.0, 5.0)
    assert check.out_of_square(5.0, 5.0) == 0.0


@pytest.mark.parametrize("angle", [0.001, -0.01, 0.2])
def test_the_angle_comes_back_from_the_diagonals_of_a_skewed_bay(angle):
    check = SquareCheck(half=1.6, along=2.35)
    # the tower line turned about the origin, its left end (y > 0) toward +x by the angle;
    # the axle's line stays parallel to it
    turn = np.array([math.sin(angle), math.cos(angle)])
    left, right = 1.6 * turn, -1.6 * turn
    further = np.array([-2.35, 0.0])
    one = np.linalg.norm(left - (right + further))
    other = np.linalg.norm(right - (left + further))
    assert check.out_of_square(one, other) == pytest.approx(angle, abs=1e-12)
    assert check.difference(angle) == pytest.approx(one - other, abs=1e-12)


def test_impossible_diagonals_are_refused():
    with pytest.raises(ValueError, match="math domain"):
        SquareCheck(1.6, 2.35).out_of_square(9.0, 1.0)


@pytest.mark.parametrize("tower", BAY.towers, ids=lambda t: t.name)
def test_the_aim_point_lies_on_the_optical_axis(tower):
    point = aim_point(tower, BAY.standoff)
    p_camera = tower.T_bay_camera.inverse() @ np.array(
        [-point.distance, point.offset, point.height]
    )
    assert p_camera[:2] == pytest.approx((0.0, 0.0), abs=1e-12)
    assert p_camera[2] > 0.0


def test_a_camera_that_looks_away_or_into_the_floor_has_no_aim_point():
    tower = BAY.towers[0]

    def placed(**angles):
        return Tower("t", Placement(1.6, 1.1, **angles), tower.camera, tower.imaging)

    assert aim_point(placed(yaw=2.0), 2.35) is None
    assert aim_point(placed(pitch=-1.0), 2.35) is None


def test_the_square_check_is_as_wide_as_the_towers_and_as_long_as_the_standoff():
    check = square_check(BAY)
    left, right = (tower.placement.offset for tower in BAY.towers)
    assert (check.across, check.along) == (left - right, BAY.standoff)


@pytest.mark.parametrize(
    "word",
    ["local codes", "licensed", "tip", "drill", "buried", "dust", "eye", "power", "chocked"],
)
def test_cautions_speak_of(word):
    assert any(word in f"{title} {text}".lower() for title, text in CAUTIONS)


def test_a_diagonal_is_that_of_the_millimetres_printed_beside_it():
    # 1552 and -60 mm are sqrt(1552² + 60²) = 1553.16 mm apart, by hand; the unrounded numbers
    # 1552.45 and -60.45 would have said 1553.6
    anchor = Anchor("inner_front", -0.06045, 1.55245)
    assert round(1e3 * anchor.taped) == 1553
