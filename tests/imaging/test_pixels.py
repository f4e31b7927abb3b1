from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from bench.geometry.camera import project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.appearance import fit_light, moved_light, normal_equations, predict_image
from bench.imaging.chords import project_chords
from bench.imaging.gaussian import blurred_image
from bench.imaging.picture import Region
from bench.imaging.pixels import EDGE_SIGMAS, EVERY, choose_pixels, face_mask
from bench.imaging.region import region_of
from bench.imaging.sensitivity import blurred_sensitivity
from bench.targets.design import build_target
from bench.targets.marker import MarkerDesign

VIEW = View(4.0, turn=0.6, pitch=-0.2, roll=0.15, pixel=(500.3, 400.6))


def everywhere(region):
    return np.ones((region.height, region.width), dtype=bool)


def test_face_mask_keeps_a_distance_from_the_plates_edge(mixed_drawing, pinhole):
    pose = pose_of_view(VIEW, pinhole)
    region = region_of(mixed_drawing, pose, pinhole, 3.0)
    corners = np.column_stack((mixed_drawing.outline, np.zeros(4)))
    pixels = project(corners, pose, pinhole) - (region.u0, region.v0)
    v, u = np.mgrid[0 : region.height, 0 : region.width]
    inside = np.ones(u.shape, dtype=bool)
    for a, b in zip(pixels, np.roll(pixels, -1, axis=0), strict=True):
        along = (b - a) / np.hypot(*(b - a))
        # the corners run anticlockwise, so clockwise in a picture whose v runs down
        distance = along[1] * (u - a[0]) - along[0] * (v - a[1])
        inside &= distance > 0.5 + EDGE_SIGMAS * 0.7
    assert_array_equal(face_mask(mixed_drawing, pose, pinhole, 0.7, region), inside)


@pytest.mark.parametrize("lens", ["pinhole", "barrel"])
def test_pixels_that_change_with_the_pose_are_near_a_boundary(lens, mixed_drawing, request):
    camera = request.getfixturevalue(lens)
    pose = pose_of_view(VIEW, camera)
    region = region_of(mixed_drawing, pose, camera, 6.0)
    pixels = choose_pixels(mixed_drawing, pose, camera, 0.7, region, everywhere(region))
    inner = replace(mixed_drawing, shapes=mixed_drawing.shapes[1:])
    chords = project_chords(inner, pose, camera)
    change = blurred_sensitivity(chords, pose, camera, 0.7, region)
    moving = np.flatnonzero(np.any(change != 0.0, axis=1))
    assert np.all(np.isin(moving, pixels.index[: pixels.near]))


def test_lists_hold_each_pixel_of_the_mask_once_and_know_its_place(mixed_drawing, pinhole):
    pose = pose_of_view(VIEW, pinhole)
    region = region_of(mixed_drawing, pose, pinhole, 6.0)
    mask = np.random.default_rng(1).random((region.height, region.width)) < 0.7
    pixels = choose_pixels(mixed_drawing, pose, pinhole, 0.7, region, mask)
    assert_array_equal(np.sort(pixels.index), np.flatnonzero(mask))
    assert 0 < pixels.near < len(pixels)
    assert_array_equal(
        pixels.places.ravel()[pixels.index],
        [*range(pixels.near), *[-1] * (len(pixels) - pixels.near)],
    )
    row, column = np.divmod(pixels.index, region.width)
    half = 0.5 * max(region.width, region.height)
    assert_allclose(pixels.across * half, column - 0.5 * (region.width - 1), atol=1e-12)
    assert_allclose(pixels.down * half, row - 0.5 * (region.height - 1), atol=1e-12)


@pytest.mark.parametrize("range_m", [1.0, 2.0, 6.0])
def test_thinning_costs_a_pose_little(range_m, pinhole):
    drawing = build_target(MarkerDesign(size=0.2)).drawing
    pose = pose_of_view(View(range_m, 0.7, 0.1, 0.2), pinhole)
    region = region_of(drawing, pose, pinhole, 2.0)
    mask = face_mask(drawing, pose, pinhole, 0.6, region)
    chords = project_chords(drawing, pose, pinhole)
    image = blurred_image(chords, drawing.background, 0.6, region)
    variances = []
    for every in (1, EVERY):
        pixels = choose_pixels(drawing, pose, pinhole, 0.6, region, mask, every=every)
        change = blurred_sensitivity(chords, pose, pinhole, 0.6, region, pixels.places)
        information, _ = normal_equations(
            change,
            pixels.of(image),
            np.array([0.0, 1.0, 0.0, 0.0]),
            np.zeros(len(pixels)),
            np.ones(len(pixels)),
            pixels,
        )
        variances.append(np.diag(np.linalg.inv(information))[:6])
    ratio = variances[1] / variances[0]
    assert np.all(ratio >= 1.0 - 1e-9)  # fewer pixels can't tell more: rounding
    assert np.all(ratio < 1.02)  # what the module promises: 1 % of a standard deviation


def test_light_is_found_and_moves_with_the_region():
    rng = np.random.default_rng(3)
    reflectance = rng.random((40, 60))
    region, other = Region(100, 50, 60, 40), Region(110, 45, 30, 50)
    light = np.array([5.0, 150.0, 20.0, -30.0])
    grey = predict_image(reflectance, light)
    shared = predict_image(
        reflectance[:, 10:40], moved_light(light, region, Region(110, 50, 30, 40))
    )
    assert_allclose(shared, grey[:, 10:40], rtol=1e-12)
    back = moved_light(moved_light(light, region, other), other, region)
    assert_allclose(back, light, rtol=1e-12)


def test_face_of_one_shade_has_light_without_an_answer_left_at_zero(disc_drawing, pinhole):
    pose = pose_of_view(VIEW, pinhole)
    region = Region(500, 400, 4, 3)
    pixels = choose_pixels(disc_drawing, pose, pinhole, 0.7, region, everywhere(region))
    same, weights = np.full(len(pixels), 0.5), np.ones(len(pixels))
    light = fit_light(same, np.full(len(pixels), 80.0), weights, pixels)
    assert np.all(np.isfinite(light))
    assert_allclose(light[0] + light[1] * 0.5, 80.0, rtol=1e-9)
