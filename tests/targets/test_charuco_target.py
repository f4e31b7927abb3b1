"""The ChArUco board against OpenCV's `CharucoBoard` in its current, not its legacy layout."""

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.targets.design import CharucoDesign, build_target

SHAPES = [(7, 5), (5, 7), (4, 4), (4, 3), (3, 4), (2, 2)]
FIRST_ID = 4


def board_of(columns, rows, book):
    ids = np.arange(FIRST_ID, FIRST_ID + columns * rows // 2)
    return cv2.aruco.CharucoBoard((columns, rows), 0.04, 0.03, book, ids)


def design_of(columns, rows):
    return CharucoDesign("DICT_4X4_50", columns, rows, square=0.04, marker=0.03, first_id=FIRST_ID)


@pytest.mark.parametrize(("columns", "rows"), SHAPES)
def test_corners_markers_and_ids_equal_opencvs_board(columns, rows, opencv_dictionary):
    board = board_of(columns, rows, opencv_dictionary("DICT_4X4_50"))
    assert not board.getLegacyPattern()
    target = build_target(design_of(columns, rows))

    def ours(points):  # their origin is the top left corner with y down
        return (np.asarray(points)[:, :2] - (0.02 * columns, 0.02 * rows)) * (1, -1)

    # theirs are single precision: 0.3 m to 1.5e-8
    assert_allclose(target.points, ours(board.getChessboardCorners()), rtol=0, atol=5e-8)
    assert list(target.markers) == board.getIds().ravel().tolist()
    for corners, theirs in zip(target.markers.values(), board.getObjPoints(), strict=True):
        assert_allclose(corners, ours(theirs), rtol=0, atol=5e-8)


@pytest.mark.parametrize(("columns", "rows"), SHAPES)
def test_the_picture_equals_opencvs_picture_of_the_board(columns, rows, opencv_dictionary, render):
    board = board_of(columns, rows, opencv_dictionary("DICT_4X4_50"))
    # 48 px a square, 36 a marker of 6 cells: every edge on a pixel boundary; 6 px quiet zone
    ours = render(build_target(design_of(columns, rows)).drawing, 0.04 / 48)
    size = (48 * columns + 12, 48 * rows + 12)
    theirs = board.generateImage(size, marginSize=6, borderBits=1)
    assert ours.shape == theirs.shape
    assert np.array_equal(ours > 127, theirs > 127)


def test_opencv_finds_the_chessboard_corners_in_the_order_of_the_target(render, opencv_dictionary):
    target = build_target(design_of(7, 5))
    pixel = 0.04 / 96
    picture = render(target.drawing, pixel)
    board = board_of(7, 5, opencv_dictionary("DICT_4X4_50"))
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(picture)
    assert np.ravel(ids).tolist() == list(range(24))
    middle = 0.5 * (np.array(picture.shape[::-1]) - 1)
    found = (np.reshape(corners, (-1, 2)) - middle) * (pixel, -pixel)
    # a saddle at a pixel boundary of a picture without blur is found to a fraction of a pixel
    assert_allclose(found, target.points, rtol=0, atol=0.5 * pixel)


def test_the_target_says_how_it_is_laid_out():
    target = build_target(design_of(7, 5))
    assert (target.kind, target.layout, target.pitch) == ("charuco", (7, 5), 0.04)
    assert (target.marker_size, target.dictionary) == (0.03, "DICT_4X4_50")
    assert target.name == "ChArUco 4x4_50 7 x 5, 40 mm squares"
    assert target.points.shape == (24, 2)
