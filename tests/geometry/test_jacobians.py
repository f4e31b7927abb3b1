"""Closed-form derivatives against finite differences that bound their own error, and OpenCV."""

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.errors import GeometryError
from bench.geometry.camera import (
    Camera,
    distort,
    distortion_jacobian,
    intrinsics_jacobian,
    point_jacobian,
    pose_jacobian,
    project,
    project_camera,
)
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec

POSE = Pose.from_rotvec(np.array([0.3, -0.7, 0.2]), np.array([0.15, -0.1, 1.4]))
TAG = np.array([[-0.1, 0.1, 0.0], [0.1, 0.1, 0.0], [0.1, -0.1, 0.0], [-0.1, -0.1, 0.02]])


def test_distortion_jacobian_matches_finite_differences(wide_camera, derivative):
    for xy in np.random.default_rng(0).uniform(-0.6, 0.6, (20, 2)):
        numeric, error = derivative(lambda x: distort(x, wide_camera), xy)
        assert_allclose(distortion_jacobian(xy, wide_camera), numeric, rtol=0, atol=error)


def test_point_jacobian_matches_finite_differences(wide_camera, derivative):
    for p in np.random.default_rng(1).uniform((-0.5, -0.5, 1.0), (0.5, 0.5, 4.0), (20, 3)):
        numeric, error = derivative(lambda x: project_camera(x, wide_camera), p)
        ours = point_jacobian(p[None], wide_camera)[0]
        assert_allclose(ours, numeric, rtol=0, atol=error)


def test_pose_jacobian_matches_finite_differences(wide_camera, derivative):
    def moved(delta):
        rotation = POSE.rotation @ exp_rotvec(delta[:3])
        return project(TAG, Pose(rotation, POSE.translation + delta[3:]), wide_camera)

    numeric, error = derivative(moved, np.zeros(6))
    ours = pose_jacobian(TAG, POSE, wide_camera)
    assert ours.shape == (4, 2, 6)
    assert_allclose(ours, numeric, rtol=0, atol=error)
    # the bound itself must be tight enough to notice a wrong term
    assert error < 1e-4 * np.max(np.abs(ours))


def test_intrinsics_jacobian_matches_finite_differences(wide_camera, derivative):
    points = POSE @ TAG

    def rebuilt(x):
        changed = Camera(1600, 1200, x[0], x[1], x[2], x[3], tuple(x[4:]))
        return project_camera(points, changed)

    values = np.array(
        [wide_camera.fx, wide_camera.fy, wide_camera.cx, wide_camera.cy, *wide_camera.distortion]
    )
    numeric, error = derivative(rebuilt, values)
    assert_allclose(intrinsics_jacobian(points, wide_camera), numeric, rtol=0, atol=error)


def test_jacobians_equal_those_of_opencv(wide_camera):
    _, theirs = cv2.projectPoints(
        TAG, POSE.rotvec, POSE.translation, wide_camera.matrix, wide_camera.distortion_vector
    )
    theirs = theirs.reshape(4, 2, -1)
    ours = intrinsics_jacobian(POSE @ TAG, wide_camera)
    # columns there: rotation vector 0-2, translation 3-5, fx fy 6-7, cx cy 8-9, distortion 10-14
    scale = np.max(np.abs(theirs))
    assert_allclose(ours, theirs[:, :, 6:15], rtol=0, atol=1e-13 * scale)
    by_translation = pose_jacobian(TAG, POSE, wide_camera)[:, :, 3:]
    assert_allclose(by_translation, theirs[:, :, 3:6], rtol=0, atol=1e-13 * scale)


def test_rotation_columns_are_about_the_targets_own_axes(tower_camera):
    # a rotation about the target's z moves its right edge along its y, whatever the pose
    point = np.array([[0.1, 0.0, 0.0]])
    by_z = pose_jacobian(point, POSE, tower_camera)[0, :, 2]
    along_y = point_jacobian(POSE @ point, tower_camera)[0] @ (0.1 * POSE.rotation[:, 1])
    # entries of some 200 px, a dozen roundings
    assert_allclose(by_z, along_y, rtol=0, atol=1e-11)


def test_derivative_behind_the_camera_raises(tower_camera):
    with pytest.raises(GeometryError, match="behind"):
        point_jacobian(np.array([[0.0, 0.0, -1.0]]), tower_camera)
