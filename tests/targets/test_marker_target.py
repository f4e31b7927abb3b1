"""The single marker: cell by cell against OpenCV's picture, its frame, its plate."""

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.targets.design import MarkerDesign, build_target
from bench.targets.dictionary import dictionaries, dictionary
from bench.targets.drawing import Area


def ids_of(book):
    """Return both ends and a spread of ids."""
    return sorted({0, 1, 2, book.size - 1, *range(0, book.size, max(1, book.size // 5))})


@pytest.mark.parametrize("name", [d.name for d in dictionaries()])
def test_reflectance_at_every_cell_centre_equals_opencvs_picture(
    name, reflectance, opencv_dictionary
):
    book = dictionary(name)
    n, size = book.cells, 0.12
    # one cell of quiet zone around, which the picture doesn't have
    centres = ((np.arange(n + 2) - 0.5) / n - 0.5) * size
    x, y = np.meshgrid(centres, -centres)
    for marker_id in ids_of(book):
        target = build_target(MarkerDesign(name, marker_id, size))
        seen = reflectance(target.drawing, np.column_stack((x.ravel(), y.ravel())))
        picture = opencv_dictionary(name).generateImageMarker(marker_id, n)
        expected = np.where(np.pad(picture, 1, constant_values=255) > 0, 0.85, 0.05)
        assert np.array_equal(seen.reshape(n + 2, n + 2), expected)


@pytest.mark.parametrize("name", ["DICT_APRILTAG_36h11", "DICT_4X4_50", "DICT_ARUCO_ORIGINAL"])
def test_opencv_detects_the_marker_with_corners_in_the_order_of_the_target(
    name, render, opencv_dictionary
):
    target = build_target(MarkerDesign(name, 7, 0.1))
    pixel = 0.1 / (24 * target_cells(name))  # 24 px a cell, edges on pixel boundaries
    picture = cv2.copyMakeBorder(
        render(target.drawing, pixel), 60, 60, 60, 60, cv2.BORDER_CONSTANT, value=90
    )
    corners, ids, _ = cv2.aruco.ArucoDetector(opencv_dictionary(name)).detectMarkers(picture)
    assert ids.ravel().tolist() == [7]
    middle = 0.5 * (np.array(picture.shape[::-1]) - 1)
    found = (corners[0][0] - middle) * (pixel, -pixel)
    # unrefined corners are the outermost black pixels' centres: half a pixel inside, and the
    # contour's corner may be one more pixel off
    assert_allclose(found, target.markers[7], rtol=0, atol=1.5 * pixel)


def target_cells(name):
    return dictionary(name).cells


def test_white_cells_of_a_marker_are_one_shape_so_that_no_seams_run_between_them():
    target = build_target(MarkerDesign())
    plate, square, white = target.drawing.shapes
    assert all(isinstance(s, Area) for s in (plate, square, white))
    assert (plate.reflectance, square.reflectance, white.reflectance) == (0.85, 0.05, 0.85)
    assert (plate.below, square.below, white.below) == (0.35, 0.85, 0.05)


def test_reflectances_are_the_designs_own(reflectance):
    design = MarkerDesign(white=0.7, black=0.1, background=0.2)
    drawing = build_target(design).drawing
    points = np.array([[0.0999, 0.0], [0.1001, 0.0], [5.0, 0.0]])
    assert reflectance(drawing, points).tolist() == [0.1, 0.7, 0.2]


def test_the_default_plate_leaves_one_cell_of_white_on_every_side():
    drawing = build_target(MarkerDesign(size=0.16)).drawing
    assert (drawing.width, drawing.height) == pytest.approx((0.2, 0.2), abs=1e-15)


def test_marker_corners_start_top_left_and_run_clockwise_about_the_plates_centre():
    target = build_target(MarkerDesign("tag36h11", 3, 0.2, plate=(0.5, 0.3)))
    expected = [[-0.1, 0.1], [0.1, 0.1], [0.1, -0.1], [-0.1, -0.1]]
    assert_allclose(target.markers[3], expected, rtol=0, atol=1e-16)
    assert (target.kind, target.layout, target.marker_size) == ("marker", (1, 1), 0.2)
    assert target.dictionary == "DICT_APRILTAG_36h11"
    assert target.name == "marker 36h11-3, 200 mm"
    assert target.extent == pytest.approx(0.2)


def test_the_black_squares_outline_passes_through_the_marker_corners():
    target = build_target(MarkerDesign())
    square = target.drawing.shapes[1].rings[0]
    assert {tuple(p) for p in square} == {tuple(p) for p in target.markers[0]}
