"""Field of view, depth of field, hyperfocal distance, diffraction: against published examples."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import jn_zeros

from bench.geometry.camera import Camera
from bench.imaging.lens_facts import (
    AIRY,
    airy_diameter,
    cutoff_frequency,
    depth_of_field,
    f_number_for,
    focus_for,
    hyperfocal_distance,
)
from bench.imaging.optics import Optics, aperture_at

INCH = 0.0254
FOOT = 0.3048
MM = 1e-3


def test_hyperfocal_distance_as_a_signal_corps_lesson_works_it_out():
    # U.S. Army, subcourse SS0507, learning event 10: 2 in lens at f/8, circle of confusion
    # 0.002 in: 20.8 ft; refocused there, sharp from 10.4 ft to infinity. The lesson leaves out
    # the focal length itself, 2 in = 0.17 ft, hence its rounding plus that.
    far_focus = hyperfocal_distance(2 * INCH, 8.0, 0.002 * INCH)
    assert far_focus - 2 * INCH == pytest.approx(20.8 * FOOT, abs=0.05 * FOOT)
    near, far = depth_of_field(far_focus, 2 * INCH, 8.0, 0.002 * INCH)
    assert near == pytest.approx(10.4 * FOOT, abs=0.05 * FOOT + INCH)
    assert far == math.inf


def test_hyperfocal_distance_of_the_usual_example():
    # from memory: 50 mm at f/8 with 0.03 mm, 2500 / 0.24 + 50 = 10 467 mm
    assert hyperfocal_distance(50 * MM, 8.0, 0.03 * MM) == pytest.approx(10.467, abs=0.0005)


@pytest.mark.parametrize(
    ("f_number", "cycles_per_mm"),
    [(1.4, 1374), (2, 962), (2.8, 687), (4, 481), (5.6, 343), (8, 240), (11, 175), (16, 120)],
)
def test_diffraction_cutoff_against_a_published_table(f_number, cycles_per_mm):
    # Edmund Optics, Imaging Resource Guide, section 3.1 "Diffraction Limit", table 1, 0.520 um,
    # given to 1 cycle per mm
    found = cutoff_frequency(0.520e-6, f_number) * MM
    assert found == pytest.approx(cycles_per_mm, abs=0.51)


def test_the_airy_disc_ends_at_the_first_zero_of_the_bessel_function():
    # Edmund Optics, "The Airy Disk and Diffraction Limit", equation 1: 2.44 lambda N; exactly
    # twice the first zero of J1 over pi (Airy 1835)
    assert pytest.approx(2.0 * jn_zeros(1, 1)[0] / math.pi, rel=1e-14) == AIRY
    assert airy_diameter(0.520e-6, 8.0) == pytest.approx(2.44 * 0.520e-6 * 8.0, rel=3e-4)


lenses = {
    "focal": st.floats(4e-3, 50e-3),
    "f_number": st.floats(1.4, 16.0),
    "focus": st.floats(1.0, 20.0),
    "blur_px": st.floats(0.5, 3.0),
}
PITCH = 3.45e-6


@given(**lenses)
def test_blur_at_the_limits_is_the_one_allowed(focal, f_number, focus, blur_px):
    # against the image model, which has the thin lens in another form: blur at a distance
    near, far = depth_of_field(focus, focal, f_number, blur_px * PITCH)
    assert near < focus < far
    fx = focal / PITCH
    camera = Camera(2000, 2000, fx, fx, 1000.0, 1000.0, pixel_pitch=PITCH)
    optics = Optics(0.6, f_number, 550e-9, focus)
    for limit in (near, far):
        # where infinity is sharp the blur there is less; beyond 1 km rounding tells
        if limit < 1e3:
            aperture = aperture_at(optics, camera, limit)
            assert aperture.blur_px == pytest.approx(blur_px, rel=1e-6)


@given(**lenses)
def test_focused_at_the_hyperfocal_distance_all_is_sharp_from_half_of_it(
    focal, f_number, focus, blur_px
):
    hyperfocal = hyperfocal_distance(focal, f_number, blur_px * PITCH)
    near, far = depth_of_field(hyperfocal, focal, f_number, blur_px * PITCH)
    assert far == math.inf
    assert near == pytest.approx(0.5 * hyperfocal, rel=1e-9)


@given(near=st.floats(0.5, 5.0), ratio=st.floats(1.1, 10.0), focal=st.floats(4e-3, 50e-3))
def test_the_least_f_number_just_keeps_both_ends_sharp(near, ratio, focal):
    f_number = f_number_for(near, ratio * near, focal, PITCH)
    low, high = depth_of_field(focus_for(near, ratio * near), focal, f_number, PITCH)
    assert low == pytest.approx(near, rel=1e-9)
    assert high == pytest.approx(ratio * near, rel=1e-9)
