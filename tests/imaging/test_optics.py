import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import j1

from bench.errors import ConfigError
from bench.imaging.optics import (
    Aperture,
    Optics,
    aperture_at,
    aperture_otf,
    diffraction_otf,
    lens_otf,
    motion_otf,
)

FREQUENCY = np.linspace(0.0, 2.0, 401)


def test_diffraction_otf_has_the_values_of_the_closed_form():
    # Goodman, Introduction to Fourier Optics, OTF of a circular pupil: at half the cutoff
    # 2/π (π/3 - √3/4) = 0.3910
    assert_allclose(diffraction_otf(np.array([0.5]), 1.0), 2 / 3 - np.sqrt(3) / (2 * np.pi))
    assert_allclose(diffraction_otf(np.array([0.0, 1.0, 1.5]), 1.0), [1.0, 0.0, 0.0], atol=1e-15)


def test_diffraction_otf_is_the_autocorrelation_of_a_disc():
    # by counting points that lie in two unit discs, displaced by 2 ν / cutoff
    axis = np.linspace(-1.0, 1.0, 2001)
    x, y = np.meshgrid(axis, axis)
    for share in (0.2, 0.6, 0.9):
        both = (np.hypot(x - share, y) < 1.0) & (np.hypot(x + share, y) < 1.0)
        counted = both.sum() / (np.hypot(x, y) < 1.0).sum()
        # a boundary of 6 / 1e-3 cells, each in or out by chance: √6000 / 3e6, and 4 σ
        assert_allclose(diffraction_otf(np.array([share]), 1.0), counted, atol=1.1e-4)


def test_out_of_focus_otf_without_defocus_is_that_of_diffraction():
    # a millionth of a wavelength changes nothing, but takes the integral's way
    integral = aperture_otf(FREQUENCY, Aperture(1.6, 0.0, 1e-6))
    # linear interpolation in a table of 1,024 points; near the cutoff, where the curve ends
    # as a 3/2 power, it costs (2/1024)^1.5 = 9e-5 of order one
    assert_allclose(integral, diffraction_otf(FREQUENCY, 1.6), rtol=0, atol=2e-5)


def test_out_of_focus_otf_matches_direct_integration_over_the_pupils_overlap():
    # Hopkins' integral taken in the plane: mean over the overlap of exp(i k ΔW), W = W20 r²
    axis = np.linspace(-1.0, 1.0, 1601)
    x, y = np.meshgrid(axis, axis)
    waves, cutoff = 1.3, 1.6
    for share in (0.1, 0.3, 0.55, 0.8):
        both = (np.hypot(x - share, y) < 1.0) & (np.hypot(x + share, y) < 1.0)
        path = waves * (((x + share) ** 2 + y**2) - ((x - share) ** 2 + y**2))
        expected = np.sum(np.cos(2 * np.pi * path)[both]) / (np.hypot(x, y) < 1.0).sum()
        got = aperture_otf(np.array([share * cutoff]), Aperture(cutoff, 0.0, waves))
        assert_allclose(got, expected, atol=2e-4)  # cells of 1.25e-3 on the boundary


def test_far_out_of_focus_otf_is_that_of_a_blur_circle():
    # Goodman's geometric limit, 2 J1(π c ν) / (π c ν): for W20 = 20 λ the blur circle is
    # 8 N · 20 λ = 160 / cutoff across; frequencies of the first lobes are under 0.02 cutoff,
    # where diffraction alone takes 4/π · 0.02 = 2.5 %.
    cutoff = 1.6
    blur = 160.0 / cutoff
    frequency = np.linspace(1e-6, 0.02, 200)
    x = np.pi * blur * frequency
    got = aperture_otf(frequency, Aperture(cutoff, blur, 20.0))
    assert_allclose(got, 2.0 * j1(x) / x, rtol=0, atol=0.025)
    first_zero = frequency[np.argmax(got < 0.0)]
    assert_allclose(first_zero, 3.8317 / (np.pi * blur), rtol=0.03)


def test_aperture_follows_the_thin_lens(pinhole):
    # f = 3000 px · 3.45 µm = 10.35 mm at f/4, focused at 5 m, target at 8 m
    aperture = aperture_at(Optics(0.0, 4.0, focus_distance=5.0), pinhole, 8.0)
    focal = 3000 * 3.45e-6
    image = focal * 5.0 / (5.0 - focal)
    # similar triangles from the aperture to the sensor, behind the image of the target
    image_8 = focal * 8.0 / (8.0 - focal)
    blur = (focal / 4.0) * (image - image_8) / image_8
    assert_allclose(aperture.blur_px, blur / 3.45e-6, rtol=1e-9)
    assert_allclose(aperture.cutoff, 3.45e-6 / (550e-9 * 4.0 * image / focal), rtol=1e-12)
    # path error at the rim, (s - s') a² / (2 s s') with a the aperture's radius
    path = (focal / 8.0) ** 2 / 2.0 * (image - image_8) / (image * image_8)
    assert_allclose(aperture.waves, path / 550e-9, rtol=1e-3)  # s s' against s²: 1e-3


def test_without_focus_distance_the_target_is_in_focus(pinhole):
    aperture = aperture_at(Optics(0.0, 4.0), pinhole, 3.0)
    assert aperture.blur_px == 0.0
    assert aperture.waves == 0.0


def test_motion_otf_is_zero_where_one_period_fits_the_motion():
    assert_allclose(motion_otf(np.array([0.5]), np.array([0.0]), (2.0, 5.0)), 0.0, atol=1e-15)
    assert_allclose(motion_otf(np.array([0.3]), np.array([-0.3]), (2.0, 2.0)), 1.0)
    assert_allclose(motion_otf(np.array([0.25]), np.array([0.0]), (2.0, 0.0)), 2 / np.pi)


def test_lens_otf_is_the_product_of_its_parts(pinhole):
    optics = Optics(0.4, 4.0, focus_distance=5.0, motion_px=(1.0, 0.5))
    aperture = aperture_at(optics, pinhole, 8.0)
    nu_u, nu_v = np.array([[0.1, 0.4]]), np.array([[0.2], [0.3]])
    radius = np.hypot(nu_u, nu_v)
    expected = (
        np.exp(-2 * (np.pi * 0.4 * radius) ** 2)
        * aperture_otf(radius, aperture)
        * np.sinc(nu_u + 0.5 * nu_v)
    )
    assert_allclose(lens_otf(nu_u, nu_v, optics, aperture), expected, rtol=1e-12)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"sigma_px": 0.01}, "sigma_px must be 0 or lie from 0.05 to 20 px, got 0.01"),
        ({"sigma_px": -1.0}, "sigma_px"),
        ({"sigma_px": float("nan")}, "sigma_px"),
        ({"f_number": 0.1}, "f_number must lie from 0.7 to 64, got 0.1"),
        ({"wavelength": 550.0}, "wavelength must lie from 2e-07 to 2e-06 m, got 550"),
        ({"focus_distance": 3.0}, "focus_distance needs optics.f_number"),
        ({"f_number": 4.0, "focus_distance": 0.0}, "focus_distance must lie"),
        ({"motion_px": (200.0, 0.0)}, "motion_px"),
        ({"motion_px": (1.0, 2.0, 3.0)}, "motion_px must be two numbers"),
        ({"motion_px": (float("inf"), 0.0)}, "motion_px"),
    ],
)
def test_optics_out_of_their_limits_raise(values, words):
    with pytest.raises(ConfigError, match=words):
        Optics(**values)


def test_diffraction_needs_the_pixel_pitch(barrel):
    with pytest.raises(ConfigError, match="pixel_pitch"):
        aperture_at(Optics(0.0, 4.0), barrel, 3.0)


def test_a_focus_within_the_focal_length_raises(pinhole):
    with pytest.raises(ConfigError, match=r"focal length, 0\.01035 m, got 0\.0102"):
        aperture_at(Optics(0.0, 4.0, focus_distance=0.0102), pinhole, 3.0)


def test_a_target_hopelessly_out_of_focus_raises(pinhole):
    with pytest.raises(ConfigError, match="out of focus by"):
        aperture_at(Optics(0.0, 1.4, focus_distance=0.05), pinhole, 8.0)
