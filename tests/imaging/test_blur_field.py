from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.interpolate import BarycentricInterpolator
from scipy.special import ndtr

from bench.digest import content_digest
from bench.errors import ConfigError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.blur_field import MOST, TOLERANCE, nodes_needed
from bench.imaging.optics import Optics, field_variance
from bench.imaging.picture import Region
from bench.imaging.region import region_of
from bench.imaging.spread import spread_reflectance
from bench.solve.bounds import blur_of
from bench.targets.drawing import Area, Drawing
from bench.targets.outline import rectangle

FIELD = Optics(0.5, field_sigma_px=1.2)


def test_an_edge_is_as_soft_as_the_field_is_at_each_pixel():
    # Closed form: a straight edge through a Gaussian and a pixel's box is the difference of
    # Φ's integral, σ (z Φ(z) + φ(z)), half a pixel to either side.
    camera = Camera(1600, 1200, 3000.0, 3000.0, 780.0, 590.0)
    half = 0.08
    plate = Area((rectangle(-half, -half, half, half),), 1.0, 0.0)
    drawing = Drawing(2 * half, 2 * half, 0.0, (plate,))
    # face-on, its left edge upright at u = 1032.3
    pose = Pose(np.diag([1.0, -1.0, -1.0]), np.array([0.084 + half + 1e-4, 0.0, 1.0]))
    edge = 780.0 + 3000.0 * (0.084 + 1e-4)
    region = Region(1026, 430, 14, 320)
    image = spread_reflectance(drawing, pose, camera, FIELD, region)
    v, u = np.mgrid[430:750, 1026:1040].astype(float)
    # σ from the definition in words: at half the picture's diagonal, 1000 px, it is
    # √(0.5² + 1.2²)
    sigma = np.sqrt(0.25 + 1.44 * ((u - 780.0) ** 2 + (v - 590.0) ** 2) / 1000.0**2)

    def ramp(x):
        z = x / sigma
        return sigma * (z * ndtr(z) + np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi))

    expected = ramp(u + 0.5 - edge) - ramp(u - 0.5 - edge)
    # 6e-5 of quadrature and 3e-5 of the kernel's cut, see bench.imaging.gaussian
    assert_allclose(image, expected, atol=TOLERANCE + 9e-5)
    even = spread_reflectance(drawing, pose, camera, Optics(0.5), region)
    assert np.max(np.abs(even - expected)) > 100 * (TOLERANCE + 9e-5)


@pytest.mark.parametrize(
    "optics",
    [
        FIELD,
        replace(FIELD, motion_px=(0.9, -0.4)),
        replace(FIELD, f_number=8.0, focus_distance=2.2),
    ],
    ids=["gaussian", "motion", "aperture"],
)
def test_every_lens_has_the_field_s_blur_at_each_pixel(optics, mixed_drawing, pinhole):
    pose = pose_of_view(View(6.0, turn=0.5, roll=0.3, pixel=(350.3, 260.6)), pinhole)
    region = region_of(mixed_drawing, pose, pinhole, 8.0)
    image = spread_reflectance(mixed_drawing, pose, pinhole, optics, region)
    rng = np.random.default_rng(5)
    for _ in range(4):
        row, column = int(rng.integers(region.height)), int(rng.integers(region.width))
        own = field_variance(optics, pinhole, region.u0 + column, region.v0 + row)
        lens = replace(optics, sigma_px=float(np.sqrt(own)), field_sigma_px=0.0)
        expected = spread_reflectance(mixed_drawing, pose, pinhole, lens, region)
        # the bound holds for an edge; three meet at most, of steps below one
        assert_allclose(image[row, column], expected[row, column], atol=3.0 * TOLERANCE)


def test_without_a_field_no_bit_and_no_digest_changes(mixed_drawing, pinhole):
    pose = pose_of_view(View(2.0, turn=0.5), pinhole)
    region = region_of(mixed_drawing, pose, pinhole, 8.0)
    assert content_digest(Optics(0.6, field_sigma_px=0.0)) == content_digest(Optics(0.6))
    assert content_digest(Optics(0.6, field_sigma_px=0.1)) != content_digest(Optics(0.6))
    tiny = spread_reflectance(
        mixed_drawing, pose, pinhole, Optics(0.6, field_sigma_px=1e-9), region
    )
    none = spread_reflectance(mixed_drawing, pose, pinhole, Optics(0.6), region)
    assert_array_equal(tiny, none)


@pytest.mark.parametrize("high", [1.003, 1.05, 1.2, 1.6, 2.1])
def test_so_many_nodes_leave_an_edge_within_the_tolerance(high):
    # an edge through variances from 1 to `high`, interpolated at Chebyshev's nodes by SciPy
    count = nodes_needed(1.0, high)
    assert 1 <= count <= MOST
    x, v = np.linspace(-4.0, 4.0, 81), np.linspace(1.0, high, 41)[:, None]
    nodes = 0.5 * (1.0 + high) + 0.5 * (high - 1.0) * np.polynomial.chebyshev.chebpts1(count)
    fit = BarycentricInterpolator(nodes, ndtr(x / np.sqrt(nodes[:, None])))
    error = np.max(np.abs(fit(v[:, 0]) - ndtr(x / np.sqrt(v))))
    # the bound holds, and isn't so wide that a node less would do by far
    assert TOLERANCE / 1000.0 < error <= TOLERANCE


def test_the_strongest_field_reaches_the_sensor_s_far_corner():
    camera = Camera(160, 120, 300.0, 300.0, -0.5, -0.5)
    plate = Area((rectangle(-0.04, -0.04, 0.04, 0.04),), 1.0, 0.0)
    pose = Pose(np.diag([1.0, -1.0, -1.0]), np.array([0.25, 0.18, 0.5]))
    drawing = Drawing(0.08, 0.08, 0.0, (plate,))
    image = spread_reflectance(
        drawing, pose, camera, Optics(12.0, field_sigma_px=8.0), Region(110, 80, 50, 40)
    )
    assert np.all((image >= 0.0) & (image < 1.0))
    assert np.max(image) > 0.1


def test_a_bound_takes_the_blur_at_the_target_s_centre(pinhole):
    pose = pose_of_view(View(2.0, turn=0.5, pixel=(200.0, 1000.0)), pinhole)
    centre = project(np.zeros((1, 3)), pose, pinhole)[0]
    away = np.hypot(*(centre - (pinhole.cx, pinhole.cy))) / 1000.0
    assert blur_of(FIELD, pinhole, pose) == pytest.approx(np.hypot(0.5, 1.2 * away))


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"field_sigma_px": -0.1}, "optics.field_sigma_px must lie from 0 to 20 px, got -0.1"),
        ({"field_sigma_px": float("nan")}, "optics.field_sigma_px must lie"),
        ({"sigma_px": 12.0, "field_sigma_px": 8.1}, "got 8.1 px beside a sigma_px of 12"),
        ({"sigma_px": 0.0, "field_sigma_px": 0.3}, "needs optics.sigma_px of 0.05 px or more"),
    ],
)
def test_a_field_out_of_its_limits_is_refused(values, words):
    with pytest.raises(ConfigError, match=words):
        Optics(**values)
