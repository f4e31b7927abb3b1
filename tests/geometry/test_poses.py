"""Rigid transforms: frame names cancel in chains, inverses undo, values can't change."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.geometry.rotation import rotation_z

# some dozen roundings of numbers up to 20 m
ROUNDING_M = 1e-13

vectors = st.tuples(*[st.floats(-3.0, 3.0)] * 3).map(np.array)
poses = st.builds(Pose.from_rotvec, vectors, vectors)


@settings(max_examples=60)
@given(T_a_b=poses, T_b_c=poses, p_c=vectors)
def test_neighbouring_frames_cancel_in_a_chain(T_a_b, T_b_c, p_c):
    assert_allclose((T_a_b @ T_b_c) @ p_c, T_a_b @ (T_b_c @ p_c), rtol=0, atol=ROUNDING_M)


@settings(max_examples=60)
@given(T_a_b=poses, p_b=vectors)
def test_the_inverse_takes_points_back(T_a_b, p_b):
    assert_allclose(T_a_b.inverse() @ (T_a_b @ p_b), p_b, rtol=0, atol=ROUNDING_M)
    assert_allclose((T_a_b.inverse() @ T_a_b).matrix, np.eye(4), rtol=0, atol=ROUNDING_M)


def test_a_pose_takes_coordinates_in_b_to_coordinates_in_a():
    # b sits 1 m along a's x and is turned a quarter about z: its x axis is a's y
    T_a_b = Pose(rotation_z(np.pi / 2), np.array([1.0, 0.0, 0.0]))
    assert_allclose(T_a_b @ np.array([2.0, 0.0, 0.0]), [1.0, 2.0, 0.0], rtol=0, atol=ROUNDING_M)


@settings(max_examples=60)
@given(T_a_b=poses)
def test_a_homogeneous_matrix_gives_the_pose_back(T_a_b):
    again = Pose.from_matrix(T_a_b.matrix)
    assert np.array_equal(again.rotation, T_a_b.rotation)
    assert np.array_equal(again.translation, T_a_b.translation)


def test_points_keep_their_leading_dimensions():
    assert (Pose.identity() @ np.zeros((2, 5, 3))).shape == (2, 5, 3)


def test_a_pose_neither_changes_nor_follows_the_arrays_it_was_made_from():
    translation = np.zeros(3)
    pose = Pose(np.eye(3), translation)
    translation[0] = 5.0
    assert pose.translation[0] == 0.0
    with pytest.raises(ValueError, match="read-only"):
        pose.translation[0] = 1.0


@pytest.mark.parametrize("translation", [np.zeros(2), np.array([0.0, np.inf, 0.0])])
def test_a_translation_that_is_none_is_refused(translation):
    with pytest.raises(GeometryError, match="three finite numbers"):
        Pose(np.eye(3), translation)
