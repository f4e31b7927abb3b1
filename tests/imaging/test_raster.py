import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from bench.geometry.camera import Camera
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.chords import project_outline
from bench.imaging.picture import Region
from bench.imaging.raster import reflectance_image
from bench.imaging.region import region_of
from bench.targets.drawing import Drawing

# Sums of at most some hundred steps below one along a row, each rounded to 1e-16 a few times.
ROUNDING = 1e-12

views = st.builds(
    View,
    range_m=st.floats(0.5, 40.0),
    turn=st.floats(-1.48, 1.48),
    pitch=st.floats(-0.5, 0.5),
    roll=st.floats(-3.2, 3.2),
    pixel=st.tuples(st.floats(200.0, 1400.0), st.floats(200.0, 1000.0)),
)


def cut(image, whole, part, parts=1):
    top, left = (part.v0 - whole.v0) * parts, (part.u0 - whole.u0) * parts
    return image[top : top + part.height * parts, left : left + part.width * parts]


@given(view=views)
def test_reflectance_stays_between_the_drawings_extremes(view, barrel, mixed_drawing):
    pose = pose_of_view(view, barrel)
    region = region_of(mixed_drawing, pose, barrel, 3)
    image = reflectance_image(mixed_drawing, pose, barrel, region)
    assert np.min(image) >= 0.05 - ROUNDING
    assert np.max(image) <= 0.85 + ROUNDING


@given(view=views)
def test_around_the_plate_there_is_background_alone(view, barrel, mixed_drawing):
    pose = pose_of_view(view, barrel)
    ends = project_outline(mixed_drawing, pose, barrel).ends.reshape(-1, 2)
    low, high = np.floor(ends.min(axis=0)).astype(int), np.ceil(ends.max(axis=0)).astype(int)
    region = Region(low[0] - 5, low[1] - 5, *(high - low + 11))
    image = reflectance_image(mixed_drawing, pose, barrel, region)
    image[5:-5, 5:-5] = mixed_drawing.background
    assert_allclose(image, mixed_drawing.background, rtol=0, atol=ROUNDING)


@given(
    view=views,
    inset=st.tuples(st.floats(0.0, 0.9), st.floats(0.0, 0.9)),
    size=st.tuples(st.integers(1, 60), st.integers(1, 60)),
)
def test_a_part_of_the_region_shows_the_same_as_the_whole(
    view, inset, size, barrel, mixed_drawing
):
    pose = pose_of_view(view, barrel)
    whole = region_of(mixed_drawing, pose, barrel, 4)
    part = Region(
        whole.u0 + int(inset[0] * whole.width), whole.v0 + int(inset[1] * whole.height), *size
    )
    part = Region(
        part.u0,
        part.v0,
        min(part.width, whole.u0 + whole.width - part.u0),
        min(part.height, whole.v0 + whole.height - part.v0),
    )
    expected = cut(reflectance_image(mixed_drawing, pose, barrel, whole), whole, part)
    got = reflectance_image(mixed_drawing, pose, barrel, part)
    assert_allclose(got, expected, rtol=0, atol=ROUNDING)


@given(view=views, parts=st.integers(2, 7))
def test_binned_parts_of_pixels_equal_the_pixels(view, parts, barrel, mixed_drawing):
    pose = pose_of_view(view, barrel)
    whole = region_of(mixed_drawing, pose, barrel, 2)
    region = Region(whole.u0, whole.v0, min(whole.width, 80), min(whole.height, 80))
    fine = reflectance_image(mixed_drawing, pose, barrel, region, parts)
    shape = (region.height, parts, region.width, parts)
    assert fine.shape == (region.height * parts, region.width * parts)
    binned = fine.reshape(shape).mean(axis=(1, 3))
    whole_pixels = reflectance_image(mixed_drawing, pose, barrel, region)
    assert_allclose(binned, whole_pixels, rtol=0, atol=ROUNDING)


@given(view=views)
def test_shapes_add_up(view, barrel, mixed_drawing):
    pose = pose_of_view(view, barrel)
    region = region_of(mixed_drawing, pose, barrel, 2)
    total = np.full((region.height, region.width), mixed_drawing.background)
    for shape in mixed_drawing.shapes:
        alone = Drawing(0.24, 0.2, mixed_drawing.background, (shape,))
        total += reflectance_image(alone, pose, barrel, region) - mixed_drawing.background
    image = reflectance_image(mixed_drawing, pose, barrel, region)
    assert_allclose(image, total, rtol=0, atol=ROUNDING)


def test_a_region_off_the_sensor_is_rendered_too(pinhole, square_drawing):
    pose = pose_of_view(View(2.0, pixel=(10.0, 20.0)), pinhole)
    image = reflectance_image(square_drawing, pose, pinhole, Region(-40, -30, 20, 20))
    assert_allclose(image, 0.05)  # well inside the black square


def test_the_same_call_gives_the_same_bits(barrel, mixed_drawing):
    pose = pose_of_view(View(1.7, turn=0.6, roll=0.2), barrel)
    region = region_of(mixed_drawing, pose, barrel, 5)
    first = reflectance_image(mixed_drawing, pose, barrel, region)
    assert_array_equal(first, reflectance_image(mixed_drawing, pose, barrel, region))


@pytest.mark.parametrize("quarter_turns", range(4))
def test_a_plate_on_the_pixel_lattice_covers_whole_pixels(quarter_turns, square_drawing):
    # 1 px is 1 mm at 3 m; the plate's edges, 120 px from 199.5 px, fall on pixel borders at .5
    camera = Camera(400, 400, 3000.0, 3000.0, 199.5, 199.5)
    pose = pose_of_view(View(3.0, roll=quarter_turns * np.pi / 2), camera)
    image = reflectance_image(square_drawing, pose, camera, Region(0, 0, 400, 400))
    expected = np.full((400, 400), 0.35)
    expected[80:320, 80:320] = 0.85
    expected[100:300, 100:300] = 0.05
    # a corner misplaced by rounding, 1e-13 px, changes a pixel by as much
    assert_allclose(image, expected, rtol=0, atol=ROUNDING)
