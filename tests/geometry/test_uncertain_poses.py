"""Errors of poses carried through inversion, chaining and points, against finite differences."""

import doctest

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.geometry import uncertain
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec, log_rotation
from bench.geometry.uncertain import (
    first_response,
    inverse_response,
    point_response,
    second_response,
)

A = Pose.from_rotvec(np.array([0.3, -0.8, 0.2]), np.array([1.0, -0.4, 3.0]))
B = Pose.from_rotvec(np.array([-1.1, 0.2, 0.5]), np.array([0.2, 2.0, -0.7]))
POINT = np.array([0.4, -1.2, 2.5])
# Central differences of a smooth function are off by step² times its third derivative, which is
# of the order of the lengths here, and by rounding over the step: 1e-16 / 1e-5.
STEP, CLOSE = 1e-5, 1e-9


def erring(T, increment):
    return Pose(T.rotation @ exp_rotvec(increment[:3]), T.translation + increment[3:])


def difference(T, reference):
    turned = log_rotation(reference.rotation.T @ T.rotation)
    return np.concatenate((turned, T.translation - reference.translation))


def slopes(function):
    steps = STEP * np.eye(6)
    return np.transpose([(function(s) - function(-s)) / (2 * STEP) for s in steps])


@pytest.mark.parametrize(
    ("response", "of"),
    [
        (inverse_response(A), lambda e: difference(erring(A, e).inverse(), A.inverse())),
        (first_response(A, B), lambda e: difference(erring(A, e) @ B, A @ B)),
        (second_response(A), lambda e: difference(A @ erring(B, e), A @ B)),
        (point_response(A, POINT), lambda e: erring(A, e) @ POINT - A @ POINT),
    ],
    ids=["inverse", "first of two", "second of two", "point"],
)
def test_responses_are_derivatives(response, of):
    assert_allclose(response, slopes(of), atol=CLOSE)


def test_many_points_at_once_are_as_each_alone():
    both = np.stack((POINT, -POINT))
    assert_allclose(point_response(A, both), [point_response(A, p) for p in both], rtol=1e-15)


def test_there_and_back_leaves_an_error_as_it_was():
    assert_allclose(inverse_response(A.inverse()) @ inverse_response(A), np.eye(6), atol=1e-14)


def test_the_worked_example_holds():
    assert doctest.testmod(uncertain).failed == 0
