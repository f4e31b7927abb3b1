"""Circle grids against what OpenCV's `findCirclesGrid` finds in their pictures."""

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.targets.design import CirclesDesign, build_target

FLAGS = {True: cv2.CALIB_CB_SYMMETRIC_GRID, False: cv2.CALIB_CB_ASYMMETRIC_GRID}


@pytest.mark.parametrize(
    ("columns", "rows", "symmetric"),
    [(7, 6, True), (9, 4, True), (4, 11, False), (5, 9, False), (3, 5, False)],
)
def test_opencv_finds_every_circle_in_the_order_of_the_target(columns, rows, symmetric, render):
    design = CirclesDesign(columns, rows, pitch=0.02, diameter=0.012, symmetric=symmetric)
    target = build_target(design)
    pixel = 0.0005  # a circle is 24 px across
    picture = render(target.drawing, pixel)
    found, centres = cv2.findCirclesGrid(picture, (columns, rows), flags=FLAGS[symmetric])
    assert found
    middle = 0.5 * (np.array(picture.shape[::-1]) - 1)
    ours = (np.reshape(centres, (-1, 2)) - middle) * (pixel, -pixel)
    # the blob detector averages contours at several thresholds: well inside half a pixel
    assert_allclose(ours, target.points, rtol=0, atol=0.5 * pixel)


def test_asymmetric_points_equal_the_formula_of_opencvs_calibration_sample():
    # calcBoardCornerPositions in samples/cpp/tutorial_code/calib3d/camera_calibration:
    # Point3f((2 * j + i % 2) * squareSize, i * squareSize, 0), from memory
    points = build_target(CirclesDesign(4, 11, pitch=0.02)).points
    sample = np.array([[(2 * j + i % 2) * 0.02, -i * 0.02] for i in range(11) for j in range(4)])
    assert_allclose(points - points[0], sample, rtol=0, atol=1e-15)


@pytest.mark.parametrize("symmetric", [True, False])
def test_the_circles_bounding_box_is_centred_on_the_plate(symmetric):
    points = build_target(CirclesDesign(5, 4, symmetric=symmetric)).points
    assert_allclose(points.min(axis=0), -points.max(axis=0), rtol=0, atol=1e-16)


def test_the_default_quiet_zone_is_half_a_pitch_around_the_circles():
    drawing = build_target(CirclesDesign(5, 4, pitch=0.03, diameter=0.02, symmetric=True)).drawing
    assert drawing.width == pytest.approx(4 * 0.03 + 0.02 + 0.03)
    assert drawing.height == pytest.approx(3 * 0.03 + 0.02 + 0.03)


def test_circles_are_black_inside_their_radius_and_white_outside(reflectance):
    target = build_target(CirclesDesign(4, 4, pitch=0.03, diameter=0.02, symmetric=True))
    directions = np.array([[np.cos(a), np.sin(a)] for a in np.linspace(0, 6, 13)])
    for radius, expected in ((0.00999, 0.05), (0.01001, 0.85)):
        seen = reflectance(target.drawing, target.points[5] + radius * directions)
        assert np.all(seen == expected)


def test_the_target_says_how_it_is_laid_out():
    target = build_target(CirclesDesign())
    assert (target.kind, target.layout, target.pitch) == ("circles", (4, 11), 0.02)
    assert (target.symmetric, target.dictionary, target.marker_size) == (False, None, 0.0)
    assert not target.markers
    assert target.name == "asymmetric circles 4 x 11, 20 mm"
