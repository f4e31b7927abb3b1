"""Rotations: handedness, rotation vectors, angles, what is refused."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from bench.errors import GeometryError
from bench.geometry.rotation import (
    angle_between,
    check_rotation,
    exp_rotvec,
    log_rotation,
    rotation_x,
    rotation_y,
    rotation_z,
    skew,
)

X, Y, Z = np.eye(3)
ROUNDING = 1e-15 * 8  # a handful of float64 roundings of numbers up to 1


@pytest.mark.parametrize(
    ("turn", "start", "end"), [(rotation_x, Y, Z), (rotation_y, Z, X), (rotation_z, X, Y)]
)
def test_a_positive_quarter_turn_follows_the_right_hand_rule(turn, start, end):
    assert_allclose(turn(np.pi / 2) @ start, end, rtol=0, atol=ROUNDING)


@pytest.mark.parametrize(
    ("axis", "turn"), [(X, rotation_x), (Y, rotation_y), (Z, rotation_z)], ids="xyz"
)
def test_a_rotation_vector_along_an_axis_is_the_elementary_rotation(axis, turn):
    assert_allclose(exp_rotvec(0.7 * axis), turn(0.7), rtol=0, atol=ROUNDING)


@settings(max_examples=100)
@given(v=st.tuples(*[st.floats(-1.8, 1.8)] * 3))
def test_rotation_vectors_survive_the_way_there_and_back(v):
    # |v| stays under pi (1.8 sqrt 3 = 3.118), where the vector is unique; close to pi the
    # logarithm loses digits: eps / (pi - |v|) = 1e-14
    rotvec = np.array(v)
    assert_allclose(log_rotation(exp_rotvec(rotvec)), rotvec, rtol=0, atol=1e-12)


def test_skew_is_the_cross_product():
    v, w = np.array([0.3, -1.2, 0.5]), np.array([-0.7, 0.1, 2.0])
    assert_allclose(skew(v) @ w, np.cross(v, w), rtol=0, atol=ROUNDING)


@pytest.mark.parametrize("angle", [0.0, 1e-9, 1e-4, 1.0, np.pi / 2, np.pi - 1e-9, np.pi])
def test_angles_are_accurate_from_zero_to_a_half_turn(angle):
    b = rotation_z(angle) @ X
    # arccos would be off by sqrt(eps) = 1.5e-8 at both ends
    assert_allclose(angle_between(2.0 * X, 3.0 * b), angle, rtol=0, atol=1e-15)


@pytest.mark.parametrize(
    ("matrix", "why"),
    [
        (np.eye(4), "3 x 3"),
        (np.full((3, 3), np.nan), "finite"),
        (1.001 * np.eye(3), "orthonormal"),
        (np.diag([1.0, 1.0, -1.0]), "reflection"),
    ],
)
def test_a_matrix_that_is_no_rotation_is_refused(matrix, why):
    with pytest.raises(GeometryError, match=why):
        check_rotation(matrix)
