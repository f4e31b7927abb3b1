"""Views and poses: round trip, tilt, and the pose that looks nearly the same."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from bench.errors import GeometryError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import angle_between, rotation_x, rotation_z
from bench.geometry.viewing import (
    View,
    facing_rotation,
    mirrored_normal,
    pose_of_view,
    tilt_of_pose,
    view_of_pose,
)

CAMERA = Camera(2448, 2048, 3000.0, 3000.0, 1223.5, 1023.5, (-0.1, 0.03, 1e-4, -2e-4, 0.0))
DEG = np.pi / 180

views = st.builds(
    View,
    range_m=st.floats(0.2, 30.0),
    turn=st.floats(-85 * DEG, 85 * DEG),
    pitch=st.floats(-85 * DEG, 85 * DEG),
    roll=st.floats(-179 * DEG, 179 * DEG),
    pixel=st.tuples(st.floats(0.0, 2447.0), st.floats(0.0, 2047.0)),
)


@settings(max_examples=150)
@given(view=views)
def test_a_view_survives_the_way_to_a_pose_and_back(view):
    back = view_of_pose(pose_of_view(view, CAMERA))
    # arcsin at 85 degrees gains 1 / cos 85 = 11.5 over some dozen roundings
    for name in ("turn", "pitch", "roll"):
        assert_allclose(getattr(back, name), getattr(view, name), rtol=0, atol=1e-13)
    assert_allclose(back.range_m, view.range_m, rtol=1e-14)


@settings(max_examples=150)
@given(view=views)
def test_the_targets_centre_appears_at_the_pixel_asked_for(view):
    pixel = project(np.zeros((1, 3)), pose_of_view(view, CAMERA), CAMERA)[0]
    # Newton stops at 1e-13 (1 + r) in normalised coordinates, times f = 3000 px
    assert_allclose(pixel, view.pixel, rtol=0, atol=1e-9)


@settings(max_examples=150)
@given(view=views)
def test_cosine_of_tilt_is_the_product_of_the_cosines_of_turn_and_pitch(view):
    tilt = tilt_of_pose(pose_of_view(view, CAMERA))
    assert_allclose(np.cos(tilt), np.cos(view.turn) * np.cos(view.pitch), rtol=0, atol=1e-14)


@settings(max_examples=50)
@given(view=views)
def test_a_view_without_angles_is_face_on_anywhere_in_the_picture(view):
    pose = pose_of_view(View(view.range_m, pixel=view.pixel), CAMERA)
    assert tilt_of_pose(pose) < 1e-14
    # and upright: its x axis is level in the camera frame
    assert abs(pose.rotation[1, 0]) < 1e-15
    assert pose.rotation[0, 0] > 0


def test_range_is_from_camera_centre_to_target_centre():
    pose = pose_of_view(View(3.0, pixel=(0.0, 0.0)), CAMERA)
    assert_allclose(np.linalg.norm(pose.translation), 3.0, rtol=1e-15)
    assert pose.translation[2] < 3.0


def test_a_turn_past_the_edge_shows_the_back_and_comes_out_as_its_supplement():
    view = view_of_pose(pose_of_view(View(2.0, turn=100 * DEG), CAMERA))
    assert_allclose(view.turn, 80 * DEG, rtol=0, atol=1e-13)
    assert abs(view.pitch) > 90 * DEG


@pytest.mark.parametrize("range_m", [0.0, -1.0, np.nan])
def test_a_range_that_is_not_positive_is_refused(range_m):
    with pytest.raises(GeometryError, match="range must be positive"):
        pose_of_view(View(range_m), CAMERA)


@pytest.mark.parametrize("up", [1.0, -1.0, 0.0])
def test_straight_above_below_or_inside_the_camera_nothing_is_upright(up):
    with pytest.raises(GeometryError, match="straight above or below"):
        facing_rotation(np.array([0.0, up, 0.0]))


def test_mirrored_normal_lies_on_the_other_side_of_the_line_of_sight_at_the_same_tilt():
    pose = pose_of_view(View(4.0, turn=30 * DEG, pitch=10 * DEG, pixel=(500.0, 300.0)), CAMERA)
    normal, other = pose.rotation[:, 2], mirrored_normal(pose)
    to_camera = -pose.translation / np.linalg.norm(pose.translation)
    tilt = tilt_of_pose(pose)
    assert_allclose(angle_between(other, to_camera), tilt, rtol=0, atol=1e-14)
    assert_allclose(angle_between(normal, other), 2 * tilt, rtol=0, atol=1e-14)
    # mirrored twice is the normal itself
    rotation = rotation_about(to_camera) @ pose.rotation @ rotation_z(np.pi)
    assert_allclose(mirrored_normal(Pose(rotation, pose.translation)), normal, atol=1e-14)


def test_the_mirrored_pose_looks_the_same_once_the_target_is_far_and_small():
    points = np.array([[-0.1, 0.1, 0.0], [0.1, 0.1, 0.0], [0.1, -0.1, 0.0], [-0.1, -0.1, 0.0]])
    camera = Camera(2448, 2048, 3000.0, 3000.0, 1223.5, 1023.5)
    differences = []
    for range_m in (10.0, 20.0, 40.0):
        pose = pose_of_view(View(range_m, turn=40 * DEG), camera)
        to_camera = -pose.translation / range_m
        rotation = rotation_about(to_camera) @ pose.rotation @ rotation_z(np.pi)
        twin = Pose(rotation, pose.translation)
        assert_allclose(twin.rotation[:, 2], mirrored_normal(pose), rtol=0, atol=1e-14)
        apart = project(points, twin, camera) - project(points, pose, camera)
        differences.append(np.max(np.abs(apart)))
    # perspective is a term of second order, f X dZ / Z²: twice the range, a quarter of it;
    # the next order is smaller by dZ / Z < 0.1 sin 40 / 10 = 0.6 %
    assert_allclose(np.divide(differences[:-1], differences[1:]), 4.0, rtol=0.02)


def rotation_about(axis):
    """Return the half turn about a unit axis."""
    half_turn = 2.0 * np.outer(axis, axis) - np.eye(3)
    assert_allclose(np.linalg.det(half_turn), 1.0, rtol=1e-14)
    return half_turn


def test_facing_frame_is_right_handed_with_z_towards_the_camera():
    R_camera_facing = facing_rotation(np.array([0.0, 0.0, 1.0]))
    # x right stays right, the picture's up is the camera's -y: a half turn about x
    assert_allclose(R_camera_facing, rotation_x(np.pi), rtol=0, atol=1e-15)
