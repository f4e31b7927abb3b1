"""Projection against OpenCV's, an implementation that isn't ours, and against closed forms."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from bench.errors import ConfigError, GeometryError
from bench.geometry.camera import Camera, normalise, project, project_camera, ray
from bench.geometry.pose import Pose

# Both sides work in float64: some dozen roundings of numbers up to 2500 px, eps 2.2e-16,
# give at most about 1e-11 px.
AGREE_PX = 1e-10


def random_pose(rng: np.random.Generator) -> Pose:
    rotvec = rng.uniform(-1.0, 1.0, 3)
    return Pose.from_rotvec(rotvec, np.array([*rng.uniform(-0.4, 0.4, 2), rng.uniform(1.5, 6.0)]))


@pytest.mark.parametrize("seed", range(20))
def test_projection_with_distortion_equals_opencv(wide_camera, seed):
    rng = np.random.default_rng(seed)
    pose = random_pose(rng)
    points = rng.uniform(-0.4, 0.4, (25, 3))
    theirs, _ = cv2.projectPoints(
        points, pose.rotvec, pose.translation, wide_camera.matrix, wide_camera.distortion_vector
    )
    assert_allclose(project(points, pose, wide_camera), theirs[:, 0], rtol=0, atol=AGREE_PX)


def test_a_point_on_the_axis_lands_on_the_principal_point(wide_camera):
    pixel = project_camera(np.array([0.0, 0.0, 3.0]), wide_camera)
    assert_allclose(pixel, (wide_camera.cx, wide_camera.cy), rtol=0, atol=0)


def test_u_grows_to_the_right_and_v_down(tower_camera):
    right, down = project_camera(np.array([[0.1, 0.0, 2.0], [0.0, 0.1, 2.0]]), tower_camera)
    # f X / Z = 3000 * 0.1 / 2 = 150 px
    assert_allclose(right, (1223.5 + 150.0, 1023.5), rtol=0, atol=AGREE_PX)
    assert_allclose(down, (1223.5, 1023.5 + 150.0), rtol=0, atol=AGREE_PX)


def test_positive_k1_pushes_points_outwards():
    plain = Camera(1000, 1000, 900.0, 900.0, 499.5, 499.5)
    pincushion = Camera(1000, 1000, 900.0, 900.0, 499.5, 499.5, (0.1, 0, 0, 0, 0))
    point = np.array([0.3, 0.0, 1.0])
    # x (1 + k1 r2) = 0.3 * 1.009
    assert_allclose(project_camera(point, plain)[0] - 499.5, 270.0, atol=AGREE_PX)
    assert_allclose(project_camera(point, pincushion)[0] - 499.5, 270.0 * 1.009, atol=AGREE_PX)


def test_projection_keeps_leading_dimensions(wide_camera):
    points = np.random.default_rng(1).uniform(0.5, 1.0, (3, 4, 3))
    pixels = project_camera(points, wide_camera)
    assert pixels.shape == (3, 4, 2)
    assert_allclose(pixels[2, 1], project_camera(points[2, 1], wide_camera), rtol=0, atol=0)


@pytest.mark.parametrize("z", [0.0, -1e-9, -2.0, np.nan])
def test_a_point_on_or_behind_the_camera_plane_raises(wide_camera, z):
    points = np.array([[0.0, 0.0, 1.0], [0.1, 0.1, z]])
    with pytest.raises(GeometryError, match="behind the camera plane"):
        project_camera(points, wide_camera)


def test_a_target_behind_the_camera_raises(tower_camera):
    behind = Pose(np.eye(3), np.array([0.0, 0.0, -2.0]))
    with pytest.raises(GeometryError, match="behind"):
        project(np.zeros((1, 3)), behind, tower_camera)


@settings(max_examples=200)
@given(u=st.floats(-0.5, 1599.5), v=st.floats(-0.5, 1199.5), depth=st.floats(0.1, 100.0))
def test_a_ray_through_a_pixel_projects_to_that_pixel(u, v, depth):
    # the wide camera's whole picture lies in the domain of its lens model
    camera = Camera(
        1600, 1200, 1210.0, 1195.0, 811.3, 587.6, (-0.21, 0.09, 1.2e-3, -0.8e-3, -0.01)
    )
    pixel = np.array([u, v])
    direction = ray(pixel, camera)
    assert_allclose(np.linalg.norm(direction), 1.0, rtol=1e-15 * 4)
    assert direction[2] > 0
    # Newton stops at 1e-13 (1 + r) in normalised coordinates, times f = 1210 px
    assert_allclose(project_camera(depth * direction, camera), pixel, rtol=0, atol=1e-9)


def test_normalised_coordinates_without_distortion_are_closed_form(tower_camera):
    xy = normalise(np.array([[1523.5, 723.5]]), tower_camera)
    assert_allclose(xy, [[0.1, -0.1]], rtol=0, atol=1e-15)


def test_the_sensor_ends_half_a_pixel_beyond_the_outer_pixel_centres(tower_camera):
    assert tower_camera.contains(np.array([[-0.5, -0.5], [2447.5, 2047.5]]))
    assert not tower_camera.contains(np.array([-0.51, 10.0]))
    assert not tower_camera.contains(np.array([10.0, 2047.51]))
    assert tower_camera.contains(np.array([4.5, 4.5]), margin=5.0)
    assert not tower_camera.contains(np.array([4.4, 4.5]), margin=5.0)


@pytest.mark.parametrize(
    ("change", "names"),
    [
        ({"width": 0}, "width"),
        ({"fx": -1.0}, "focal length"),
        ({"cx": np.nan}, "finite"),
        ({"distortion": (0.1, 0.0, 0.0, 0.0)}, "five"),
        ({"distortion": (0.0, 0.0, 0.0, 0.0, -2e6)}, r"within ±1e\+06, got -2e\+06"),
        ({"pixel_pitch": 0.0}, "pixel_pitch"),
        ({"pixel_pitch": 3.45}, "pixel_pitch"),  # micrometres given as metres
    ],
)
def test_impossible_intrinsics_are_refused_by_name(change, names):
    fields = {"width": 10, "height": 10, "fx": 9.0, "fy": 9.0, "cx": 4.5, "cy": 4.5} | change
    with pytest.raises(ConfigError, match=names):
        Camera(**fields)
