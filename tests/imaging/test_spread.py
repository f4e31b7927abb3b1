import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.integrate import simpson

from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.imaging import spread
from bench.imaging.optics import Optics, aperture_at, lens_otf
from bench.imaging.picture import Region
from bench.imaging.raster import reflectance_image
from bench.imaging.region import region_of
from bench.imaging.spread import spread_reflectance
from bench.targets.drawing import Area, Drawing
from bench.targets.outline import rectangle

VIEW = View(8.0, turn=0.6, pitch=0.3, roll=0.4)
# Residual folding of frequencies, see the module, and a Gaussian's own 1e-4.
SPREAD_ATOL = 3e-4


def test_a_lens_without_blur_leaves_exact_coverage(pinhole, mixed_drawing):
    pose = pose_of_view(VIEW, pinhole)
    region = region_of(mixed_drawing, pose, pinhole, 4)
    sharp = spread_reflectance(mixed_drawing, pose, pinhole, Optics(0.0), region)
    assert_array_equal(sharp, reflectance_image(mixed_drawing, pose, pinhole, region))


@pytest.mark.parametrize("roll", [0.0, 0.4])
@pytest.mark.parametrize("sigma", [0.3, 0.6, 4.0])
def test_a_wide_open_aperture_in_focus_is_the_gaussian_lens_alone(sigma, roll, mixed_drawing):
    # Pixels of 100 µm have their cutoff at 260 cycles a pixel: diffraction takes 4/π ν/260 of
    # what a lens passes, from an edge's response at most 4/(260 π²) ∫ exp(-2 π² σ² ν²) dν.
    camera = Camera(1600, 1200, 3000.0, 3000.0, 799.5, 599.5, pixel_pitch=1e-4)
    pose = pose_of_view(View(8.0, roll=roll), camera)
    region = region_of(mixed_drawing, pose, camera, 12)
    direct = spread_reflectance(mixed_drawing, pose, camera, Optics(sigma), region)
    around = spread_reflectance(mixed_drawing, pose, camera, Optics(sigma, 0.7), region)
    tail = 4.0 / np.pi**2 / 260.0 / (2.0 * np.sqrt(2.0 * np.pi) * sigma)
    assert_allclose(around, direct, rtol=0, atol=0.8 * tail + SPREAD_ATOL)


@pytest.mark.slow
@pytest.mark.parametrize("sigma", [0.0, 0.1, 0.3])
@pytest.mark.parametrize("f_number", [1.4, 4.0])
def test_folded_frequencies_stay_below_the_bound(sigma, f_number, mixed_drawing, monkeypatch):
    # edges along the pixel lattice, where folding is worst, against three times finer sampling
    camera = Camera(1600, 1200, 3000.0, 3000.0, 799.5, 599.5, pixel_pitch=3.45e-6)
    pose = pose_of_view(View(12.0), camera)
    region = region_of(mixed_drawing, pose, camera, 4)
    optics = Optics(sigma, f_number)
    image = spread_reflectance(mixed_drawing, pose, camera, optics, region)
    monkeypatch.setattr(spread, "PARTS_SOFT", 21)
    monkeypatch.setattr(spread, "PARTS_SHARP", 21)
    finer = spread_reflectance(mixed_drawing, pose, camera, optics, region)
    assert_allclose(image, finer, rtol=0, atol=0.8 * 2e-4)


@pytest.mark.parametrize("sigma", [0.0, 0.4])
def test_motion_is_the_mean_of_displaced_pictures(sigma, pinhole, mixed_drawing):
    pose = pose_of_view(VIEW, pinhole)
    region = region_of(mixed_drawing, pose, pinhole, 8)
    optics = Optics(sigma, motion_px=(2.4, -1.3))
    moved = spread_reflectance(mixed_drawing, pose, pinhole, optics, region)
    # the principal point moves the picture; the mean over time by Simpson's rule
    time = np.linspace(-0.5, 0.5, 81)
    still = []
    for t in time:
        camera = Camera(
            pinhole.width,
            pinhole.height,
            pinhole.fx,
            pinhole.fy,
            pinhole.cx + 2.4 * t,
            pinhole.cy - 1.3 * t,
        )
        still.append(spread_reflectance(mixed_drawing, pose, camera, Optics(sigma), region))
    # Without blur a pixel's value has kinks in time; a kink costs either rule 0.05 of its
    # piece, 1/16 px and 2.7/40 px, squared, over 2.7 px, four edges at most to a pixel.
    assert_allclose(moved, simpson(still, x=time, axis=0), rtol=0, atol=SPREAD_ATOL)


@pytest.mark.parametrize(
    "optics",
    [
        Optics(0.0, 4.0),
        Optics(0.0, 2.0, focus_distance=6.0),
        Optics(0.5, 5.6, focus_distance=3.0, motion_px=(0.7, 0.4)),
    ],
)
def test_an_edge_through_any_lens_equals_its_fourier_integral(optics, pinhole):
    # A vertical edge through the picture's centre: 1/2 + ∫ OTF(ν) box(ν) sin(2πνx)/(πν) dν
    half = Area((rectangle(0.0, -2.0, 2.0, 2.0),), 1.0, 0.0)
    drawing = Drawing(4.0, 4.0, 0.0, (half,))
    pose = Pose(np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 8.0]))
    u0, v0 = int(pinhole.cx) - 12, int(pinhole.cy) - 2
    image = spread_reflectance(drawing, pose, pinhole, optics, Region(u0, v0, 25, 3))
    x = u0 + np.arange(25) - pinhole.cx
    nu = np.linspace(1e-9, 3.0, 60_001)
    otf = lens_otf(nu, np.zeros_like(nu), optics, aperture_at(optics, pinhole, 8.0)) * np.sinc(nu)
    waves = np.sin(2.0 * np.pi * nu * x[:, None]) / (np.pi * nu)
    expected = 0.5 + simpson(otf * waves, x=nu, axis=1)
    # The drawing ends 750 px off, where the padding is cut, in both directions: 1e-3 each.
    assert_allclose(image, np.tile(expected, (3, 1)), rtol=0, atol=2e-3 + SPREAD_ATOL)


def test_padding_makes_a_part_of_a_region_like_the_whole(pinhole, mixed_drawing):
    pose = pose_of_view(VIEW, pinhole)
    optics = Optics(0.3, 4.0)
    whole = region_of(mixed_drawing, pose, pinhole, 6)
    part = Region(whole.u0 + 20, whole.v0 + 25, 30, 20)
    image = spread_reflectance(mixed_drawing, pose, pinhole, optics, whole)
    got = spread_reflectance(mixed_drawing, pose, pinhole, optics, part)
    # light from beyond the padding: 1e-3 of a step of 0.8
    assert_allclose(got, image[25:45, 20:50], rtol=0, atol=0.8e-3)


def test_defocus_depends_on_the_targets_distance(pinhole, square_drawing):
    def steepest_step(range_m):
        pose = pose_of_view(View(range_m), pinhole)
        region = region_of(square_drawing, pose, pinhole, 6)
        optics = Optics(0.3, 2.0, focus_distance=3.0)
        image = spread_reflectance(square_drawing, pose, pinhole, optics, region)
        return np.max(np.abs(np.diff(image, axis=1)))

    # blur circles of 0, 2.6 and 3.9 px: an edge rises over so many pixels
    assert steepest_step(3.0) > 1.2 * steepest_step(6.0) > 1.2**2 * steepest_step(12.0)
