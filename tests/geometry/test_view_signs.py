"""The signs of turn, pitch and roll, frozen in words.

The drawing of them in DEVELOPERS.md shows what these tests say.
"""

import numpy as np
import pytest

from bench.geometry.camera import Camera, project
from bench.geometry.viewing import View, pose_of_view

CAMERA = Camera(2448, 2048, 3000.0, 3000.0, 1223.5, 1023.5)
RIGHT, TOP = np.array([[0.1, 0.0, 0.0]]), np.array([[0.0, 0.1, 0.0]])


def depth(point, **angles):
    pose = pose_of_view(View(2.0, **angles), CAMERA)
    return (pose @ point)[0, 2]


def place(point, **angles):
    """Return where a point lies in the picture, to the right and up of the centre, pixels."""
    u, v = project(point, pose_of_view(View(2.0, **angles), CAMERA), CAMERA)[0]
    return u - CAMERA.cx, CAMERA.cy - v


def test_a_target_that_faces_the_camera_is_upright_and_not_mirrored():
    # 3000 px * 0.1 m / 2 m = 150 px; rounding of numbers near 1200
    assert place(RIGHT) == pytest.approx((150.0, 0.0), abs=1e-11)
    assert place(TOP) == pytest.approx((0.0, 150.0), abs=1e-11)


def test_positive_turn_takes_the_right_edge_away_from_the_camera():
    assert depth(RIGHT, turn=0.3) == pytest.approx(2.0 + 0.1 * np.sin(0.3), abs=1e-14)
    assert depth(-RIGHT, turn=0.3) == pytest.approx(2.0 - 0.1 * np.sin(0.3), abs=1e-14)


def test_turn_leaves_the_upright_axis_where_it_is():
    assert depth(TOP, turn=0.3) == pytest.approx(2.0, abs=1e-14)


def test_positive_pitch_brings_the_top_edge_towards_the_camera():
    assert depth(TOP, pitch=0.3) == pytest.approx(2.0 - 0.1 * np.sin(0.3), abs=1e-14)
    assert depth(-TOP, pitch=0.3) == pytest.approx(2.0 + 0.1 * np.sin(0.3), abs=1e-14)


def test_pitch_leaves_the_level_axis_where_it_is():
    assert depth(RIGHT, pitch=0.3) == pytest.approx(2.0, abs=1e-14)


def test_positive_roll_lifts_the_right_edge_anticlockwise_in_the_picture():
    right, up = place(RIGHT, roll=0.3)
    assert (right, up) == pytest.approx((150 * np.cos(0.3), 150 * np.sin(0.3)), abs=1e-11)


def test_roll_comes_before_turn_so_that_turn_is_about_the_targets_own_axis():
    # rolled a quarter anticlockwise the target's right edge is on top; turn still takes it away
    assert depth(RIGHT, roll=np.pi / 2, turn=0.3) > 2.0
    assert place(RIGHT, roll=np.pi / 2, turn=0.3)[1] > 0


def test_turn_comes_before_pitch_so_that_pitch_is_about_the_turned_axis():
    # the right edge lies on the pitch axis: pitching a turned target doesn't move it
    turned = pose_of_view(View(2.0, turn=0.4), CAMERA) @ RIGHT
    pitched = pose_of_view(View(2.0, turn=0.4, pitch=0.5), CAMERA) @ RIGHT
    assert pitched == pytest.approx(turned, abs=1e-14)
