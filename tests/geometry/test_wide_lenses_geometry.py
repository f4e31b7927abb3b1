"""Rational and fisheye lenses: against OpenCV's own projection, inverted, differentiated."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.digest import content_digest
from bench.errors import ConfigError, GeometryError
from bench.geometry.camera import (
    Camera,
    from_opencv,
    intrinsics_jacobian,
    lens_shift,
    normalise,
    point_jacobian,
    project_camera,
)
from bench.geometry.lens_models import BROWN, FISHEYE, RATIONAL, WIDEST

# A fit of a wide lens by OpenCV's rational model, and a fisheye lens near equidistance; invented.
RATIONAL_LENS = Camera(
    1600, 1200, 620.0, 615.0, 805.3, 590.1,
    (2.1, 0.9, 2e-4, -1e-4, 0.03), model=RATIONAL, more=(2.45, 1.5, 0.2),
)  # fmt: skip
FISHEYE_LENS = Camera(
    1600, 1200, 480.0, 479.0, 798.2, 603.0,
    (-0.02, 0.006, 0.0, 0.0, -0.003), model=FISHEYE, more=(0.0005,),
)  # fmt: skip
LENSES = [RATIONAL_LENS, FISHEYE_LENS]

each_lens = pytest.mark.parametrize("camera", LENSES, ids=lambda c: c.model)


def points(widest_deg, count=400):
    """Return points around the axis, up to an angle from it."""
    rng = np.random.default_rng(3)
    angle, around = np.radians(widest_deg) * rng.random(count), 2 * np.pi * rng.random(count)
    way = np.column_stack((np.sin(angle) * np.cos(around), np.sin(angle) * np.sin(around)))
    return np.column_stack((way, np.cos(angle))) * rng.uniform(0.5, 5.0, (count, 1))


def by_opencv(p_camera, camera):
    none, p = np.zeros(3), p_camera.reshape(-1, 1, 3)
    coefficients = np.array(camera.opencv_coefficients)
    if camera.model == FISHEYE:
        return cv2.fisheye.projectPoints(p, none, none, camera.matrix, coefficients)
    return cv2.projectPoints(p, none, none, camera.matrix, coefficients)


@each_lens
def test_points_appear_where_opencv_has_them(camera):
    p = points(60.0 if camera.model == RATIONAL else 84.0)
    theirs, _ = by_opencv(p, camera)
    assert_allclose(project_camera(p, camera), theirs.reshape(-1, 2), rtol=0, atol=1e-9)


@each_lens
def test_derivatives_are_opencv_s(camera):
    p = points(60.0 if camera.model == RATIONAL else 80.0)
    _, theirs = by_opencv(p, camera)
    n = len(p)
    fisheye = camera.model == FISHEYE
    moved = theirs[:, 11:14] if fisheye else theirs[:, 3:6]
    assert_allclose(point_jacobian(p, camera), moved.reshape(n, 2, 3), rtol=1e-7, atol=1e-6)
    lens = intrinsics_jacobian(p, camera)
    # OpenCV's order: fx fy cx cy, then k1 k2 k3 k4 of the fisheye, k1 k2 p1 p2 k3 … of the others
    own = [0, 1, 2, 3, 4, 5, 8, 9] if fisheye else list(range(9 + len(camera.more)))
    theirs = (theirs[:, :8] if fisheye else theirs[:, 6 : 6 + len(own)]).reshape(n, 2, -1)
    assert_allclose(lens[:, :, own], theirs, rtol=1e-7, atol=1e-7)
    if fisheye:
        assert not lens[:, :, 6:8].any()


@each_lens
def test_a_lens_off_by_a_mode_shows_points_where_its_derivatives_say(camera):
    p, step = points(50.0), 1e-4
    modes = np.random.default_rng(2).standard_normal((9 + len(camera.more), 2)) * step
    modes[6:8] *= camera.model != FISHEYE
    for count in (9, len(modes)):  # nine numbers leave what is beyond k3
        for mode, shift in zip(
            modes[:count].T, np.moveaxis(lens_shift(p, camera, modes[:count]), 2, 0), strict=True
        ):
            seen = project_camera(p, camera.changed(mode)) - project_camera(p, camera)
            # what is of second order in the step, 1e-4 of the shift times tens
            assert_allclose(seen, shift, rtol=0, atol=1e-2 * np.abs(shift).max())


@each_lens
def test_pixels_lead_back_to_their_rays(camera):
    p = points(60.0 if camera.model == RATIONAL else 84.0)
    xy = normalise(project_camera(p, camera), camera)
    # 1e-13 in the picture is 1e-13 sec² of the angle on the plane: 1e-11 at 84 degrees
    assert_allclose(xy, p[:, :2] / p[:, 2:], rtol=1e-9, atol=1e-12)


def test_a_fisheye_lens_ends_where_its_docstring_says():
    edge = np.array([[np.tan(WIDEST - 1e-6), 0.0, 1.0], [np.tan(WIDEST + 1e-6), 0.0, 1.0]])
    project_camera(edge[:1], FISHEYE_LENS)
    with pytest.raises(GeometryError, match="one-to-one"):
        project_camera(edge[1:], FISHEYE_LENS)
    # θ (1 - 0.5 θ²) turns back where 1 = 1.5 θ²
    turning = replace(FISHEYE_LENS, distortion=(-0.5, 0.0, 0.0, 0.0, 0.0), more=(0.0,))
    assert turning.domain_radius == pytest.approx(np.tan(np.sqrt(1.0 / 1.5)))


@pytest.mark.parametrize("k", [(0.1, 0.0, 0.0), (-0.3, 0.05, 0.0)])
def test_a_rational_lens_ends_at_the_first_turn_or_pole(k):
    camera = replace(RATIONAL_LENS, distortion=(*k[:2], 0.0, 0.0, k[2]), more=(-0.2, 0.1, -0.05))
    r = np.linspace(1e-3, 0.9999 * min(camera.domain_radius, 50.0), 4000)
    p = np.column_stack((r, 0 * r, np.ones_like(r)))
    assert np.all(np.diff(project_camera(p, camera)[:, 0]) > 0.0)
    if np.isfinite(camera.domain_radius):
        beyond = 1.0001 * camera.domain_radius
        low, high = 0.9999 * camera.domain_radius, 1.0003 * camera.domain_radius
        g = [
            float(by_opencv(np.array([[r, 0, 1.0]]), camera)[0][0, 0, 0])
            for r in (low, beyond, high)
        ]
        assert g[2] < g[1] or g[1] < g[0]  # runs back, or has jumped


def test_without_their_own_coefficients_they_are_brown_conrady_and_equidistant():
    brown = Camera(1600, 1200, 620.0, 615.0, 805.3, 590.1, (-0.1, 0.02, 1e-3, -1e-3, 0.0))
    rational = replace(brown, model=RATIONAL, more=(0.0, 0.0, 0.0))
    p = points(35.0)
    assert_allclose(project_camera(p, rational), project_camera(p, brown), rtol=0, atol=1e-10)
    even = replace(FISHEYE_LENS, distortion=(0.0,) * 5, more=(0.0,), fx=480.0, fy=480.0)
    u = project_camera(points(80.0), even) - (even.cx, even.cy)
    angle = np.arctan2(np.linalg.norm(points(80.0)[:, :2], axis=1), points(80.0)[:, 2])
    assert_allclose(np.linalg.norm(u, axis=1), 480.0 * angle, atol=1e-9)


def test_coefficients_go_to_opencv_s_order_and_back():
    for camera in LENSES:
        model, distortion, more = from_opencv(camera.opencv_coefficients)
        assert (model, distortion, more) == (camera.model, camera.distortion, camera.more)


@pytest.mark.parametrize(
    "wrong",
    [{"model": "rational"}, {"model": "fisheye", "more": (0.0,) * 3}, {"model": "thin prism"},
     {"more": (1.0,)}, {"model": "rational", "more": (np.nan, 0.0, 0.0)}],
)  # fmt: skip
def test_coefficients_that_are_not_the_model_s_are_refused(wrong):
    with pytest.raises(ConfigError, match="camera:"):
        Camera(100, 100, 90.0, 90.0, 49.5, 49.5, **wrong)
    with pytest.raises(ConfigError, match="no tangential"):
        replace(FISHEYE_LENS, distortion=(0.0, 0.0, 1e-3, 0.0, 0.0))


def test_digests_of_brown_conrady_cameras_stay():
    camera = Camera(640, 480, 900.0, 900.0, 319.5, 239.5)
    assert content_digest(camera) == content_digest(replace(camera, model=BROWN, more=()))
    assert content_digest(camera) != content_digest(replace(camera, model=FISHEYE, more=(0.0,)))
