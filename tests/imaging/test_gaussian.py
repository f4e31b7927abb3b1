import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

from bench.geometry.viewing import View, pose_of_view
from bench.imaging.chords import Chords, project_chords
from bench.imaging.gaussian import blurred_image, kernel_tables
from bench.imaging.picture import Region
from bench.imaging.raster import reflectance_image
from bench.imaging.region import region_of

# Cutting the kernels at 4 σ drops 3e-5 of a step, quadrature errs by less, see the module.
BLUR_ATOL = 1e-4


def ramp(x, sigma):
    """First integral of the Gaussian's distribution function."""
    z = x / sigma
    return sigma * (z * ndtr(z) + np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi))


def parabola(x, sigma):
    """Second integral."""
    z = x / sigma
    density = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    return 0.5 * sigma**2 * ((z * z + 1.0) * ndtr(z) + z * density)


def blurred_edge(distance, angle, sigma):
    """Coverage of a pixel at a signed distance from a straight edge, box and Gaussian, exactly.

    Across the edge a square pixel's box is a trapezoid, the convolution of boxes as wide as
    |cos| and |sin| of the edge's angle.
    """
    a, b = abs(np.cos(angle)), abs(np.sin(angle))
    if min(a, b) < 1e-6:
        return ramp(distance + 0.5, sigma) - ramp(distance - 0.5, sigma)
    total = sum(
        sign * parabola(distance + shift, sigma)
        for sign, shift in (
            (1, (a + b) / 2),
            (-1, (a - b) / 2),
            (-1, (b - a) / 2),
            (1, -(a + b) / 2),
        )
    )
    return total / (a * b)


def half_plane(point, angle, far=200.0):
    """Chords around a square that fills the half plane on the side of the angle's direction."""
    normal = np.array([np.cos(angle), np.sin(angle)])
    along = np.array([-normal[1], normal[0]])
    corners = point + far * np.array([-along, along, 2 * normal + along, 2 * normal - along])
    # from -along to along has the normal on its left, since v runs down
    ends = np.hstack((corners, np.roll(corners, -1, axis=0)))
    return Chords(ends, np.ones(4))


@given(
    sigma=st.sampled_from([0.05, 0.1, 0.3, 0.6, 1.0, 2.5, 6.0]),
    angle=st.floats(-np.pi, np.pi) | st.sampled_from([0.0, np.pi / 4, np.pi / 2, 1e-9]),
    phase=st.tuples(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5)),
)
def test_a_blurred_edge_equals_its_closed_form(sigma, angle, phase):
    region = Region(100, 50, 40, 30)
    point = np.array([119.5, 64.5]) + phase
    image = blurred_image(half_plane(point, angle), 0.0, sigma, region)
    v, u = np.mgrid[50:80, 100:140]
    distance = (u - point[0]) * np.cos(angle) + (v - point[1]) * np.sin(angle)
    assert_allclose(image, blurred_edge(distance, angle, sigma), rtol=0, atol=BLUR_ATOL)


@pytest.mark.parametrize("angle", [0.3, 2.0, -1.9])
def test_a_plate_that_runs_far_out_of_the_picture_costs_no_more(angle):
    # chords of 1e9 px, as a plate that nearly touches the camera has them: without a cut, a
    # billion pieces; rounding at 1e9 px leaves 1e-7 px here
    region = Region(100, 50, 20, 15)
    image = blurred_image(half_plane(np.array([110.2, 57.1]), angle, far=1e9), 0.0, 0.6, region)
    v, u = np.mgrid[50:65, 100:120]
    distance = (u - 110.2) * np.cos(angle) + (v - 57.1) * np.sin(angle)
    assert_allclose(image, blurred_edge(distance, angle, 0.6), rtol=0, atol=BLUR_ATOL)


@pytest.mark.parametrize("sigma", [0.3, 0.6, 1.5])
def test_blur_equals_a_filtered_picture_of_small_parts(sigma, pinhole, mixed_drawing):
    # A second way to the same: exact coverage of parts of pixels, filtered, binned.
    pose = pose_of_view(View(8.0, turn=0.6, pitch=0.3, roll=0.4), pinhole)
    region = region_of(mixed_drawing, pose, pinhole, 12)
    parts = 16
    fine = reflectance_image(mixed_drawing, pose, pinhole, region, parts)
    fine = gaussian_filter(fine, sigma * parts, mode="nearest", truncate=6.0)
    shape = (region.height, parts, region.width, parts)
    expected = fine.reshape(shape).mean(axis=(1, 3))
    image = blurred_image(
        project_chords(mixed_drawing, pose, pinhole), mixed_drawing.background, sigma, region
    )
    # The filter sees a part's box as a point at its centre, which blurs by as much again as a
    # box: variance 1/12 part², so up to the Gaussian's largest slope 0.24/σ² times half of it,
    # 4e-5/σ², and the coverage's step 0.8.
    assert_allclose(image, expected, rtol=0, atol=BLUR_ATOL + 0.8 * 4e-5 / sigma**2)


@given(
    view=st.builds(
        View,
        range_m=st.floats(0.6, 40.0),
        turn=st.floats(-1.4, 1.4),
        pitch=st.floats(-0.4, 0.4),
        roll=st.floats(-3.0, 3.0),
        pixel=st.tuples(st.floats(400.0, 1200.0), st.floats(300.0, 900.0)),
    ),
    sigma=st.sampled_from([0.3, 0.6, 1.2]),
)
def test_a_part_of_a_blurred_region_shows_the_same_as_the_whole(
    view, sigma, barrel, mixed_drawing
):
    pose = pose_of_view(view, barrel)
    whole = region_of(mixed_drawing, pose, barrel, 9)
    part = Region(whole.u0 + whole.width // 3, whole.v0 + whole.height // 3, whole.width // 2, 7)
    chords = project_chords(mixed_drawing, pose, barrel)
    image = blurred_image(chords, 0.35, sigma, whole)
    top, left = part.v0 - whole.v0, part.u0 - whole.u0
    # chords cut at the region's borders get other quadrature points
    assert_allclose(
        blurred_image(chords, 0.35, sigma, part),
        image[top : top + 7, left : left + part.width],
        rtol=0,
        atol=BLUR_ATOL,
    )


def test_far_from_any_edge_blur_changes_nothing(pinhole, square_drawing):
    pose = pose_of_view(View(1.0, turn=0.2), pinhole)
    chords = project_chords(square_drawing, pose, pinhole)
    inside = blurred_image(chords, 0.35, 0.6, Region(790, 590, 20, 20))
    assert_allclose(inside, 0.05, rtol=0, atol=BLUR_ATOL)
    outside = blurred_image(chords, 0.35, 0.6, Region(1400, 590, 20, 20))
    assert_allclose(outside, 0.35, rtol=0, atol=BLUR_ATOL)


@pytest.mark.parametrize("sigma", [0.05, 0.6, 3.0])
def test_kernel_tables_hold_a_density_and_its_integrals_increments(sigma):
    pdf, increments = kernel_tables(sigma)
    assert_allclose(pdf.sum(axis=1), 1.0, rtol=1e-14)
    assert_allclose(increments.sum(axis=1), 1.0, rtol=1e-14)
    # seen from the pixel to the right, a point at phase p lies at 1 - p to the left; H of -x is
    # 1 - H of x, so its increments mirror about half a pixel further on
    assert_allclose(pdf, pdf[::-1, ::-1], rtol=0, atol=1e-15)
    assert_allclose(increments[:, 1:], increments[::-1, :0:-1], rtol=0, atol=4e-5)
