"""The lens model's inverse, and where it has none."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from bench.errors import GeometryError
from bench.geometry.camera import Camera, distort, distortion_jacobian, project_camera, undistort

coefficients = st.tuples(
    st.floats(-0.5, 0.3),
    st.floats(-0.3, 0.3),
    st.floats(-0.002, 0.002),
    st.floats(-0.002, 0.002),
    st.floats(-0.3, 0.3),
)


def camera_with(distortion: tuple[float, ...]) -> Camera:
    return Camera(2000, 1500, 1000.0, 1000.0, 999.5, 749.5, distortion)


@settings(max_examples=300)
@given(distortion=coefficients, radius=st.floats(0.0, 1.5), angle=st.floats(0.0, 6.3))
def test_undistort_inverts_distort_inside_the_domain(distortion, radius, angle):
    camera = camera_with(distortion)
    # at the turning point itself the inverse has infinite slope
    assume(radius < 0.95 * camera.domain_radius)
    xy = radius * np.array([np.cos(angle), np.sin(angle)])
    slope = np.linalg.det(distortion_jacobian(xy, camera))
    assume(slope > 1e-3)
    back = undistort(distort(xy, camera), camera)
    # the residual is at most 1e-13 (1 + r_d), the inverse's gain at most |J| / slope < 1e4
    assert_allclose(back, xy, rtol=0, atol=1e-8)


@settings(max_examples=150)
@given(distortion=coefficients, beyond=st.floats(1.02, 3.0), angle=st.floats(0.0, 6.3))
def test_a_pixel_further_out_than_the_lens_can_image_raises(distortion, beyond, angle):
    camera = camera_with(distortion)
    r = camera.domain_radius
    assume(np.isfinite(r) and r < 5.0)
    k1, k2, p1, p2, k3 = distortion
    # the image of the disc of radius r, its tangential part at most 3 (|p1| + |p2|) r² more
    edge = r * (1 + k1 * r**2 + k2 * r**4 + k3 * r**6) + 3 * (abs(p1) + abs(p2)) * r**2
    outside = beyond * edge * np.array([np.cos(angle), np.sin(angle)])
    with pytest.raises(GeometryError, match="one-to-one"):
        undistort(outside, camera)


def test_domain_radius_of_plain_barrel_distortion_is_closed_form():
    # d/dr (r + k1 r³) = 0 at r = 1/sqrt(-3 k1)
    assert_allclose(camera_with((-0.2, 0, 0, 0, 0)).domain_radius, 1 / np.sqrt(0.6), rtol=1e-14)
    assert camera_with((0.2, 0, 0, 0, 0)).domain_radius == np.inf
    assert camera_with((0, 0, 0.001, 0.001, 0)).domain_radius == np.inf


def test_a_point_far_outside_the_field_leaves_no_ghost_in_the_picture():
    camera = camera_with((-0.3, 0.0, 0.0, 0.0, 0.0))
    # r = 1.8 is beyond the turning point 1.054; the formula alone would put it at
    # 1.8 (1 - 0.3 * 3.24) = 0.05, in the middle of the picture
    with pytest.raises(GeometryError, match="one-to-one"):
        project_camera(np.array([1.8, 0.0, 1.0]), camera)


def test_undistort_takes_a_single_point_and_any_batch(wide_camera):
    batch = np.random.default_rng(3).uniform(-0.4, 0.4, (2, 5, 2))
    together = undistort(batch, wide_camera)
    assert together.shape == (2, 5, 2)
    # each point ends on its own, within the stopping bound 1e-13 (1 + r) of the root
    assert_allclose(undistort(batch[1, 3], wide_camera), together[1, 3], rtol=0, atol=4e-13)


def test_undistort_of_no_points_is_no_points(wide_camera):
    assert undistort(np.empty((0, 2)), wide_camera).shape == (0, 2)


def test_a_pixel_that_is_no_number_raises(wide_camera):
    with pytest.raises(GeometryError):
        undistort(np.array([[0.1, np.nan]]), wide_camera)
