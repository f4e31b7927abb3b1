"""The marker grid against OpenCV's `GridBoard`, corner by corner and pixel by pixel."""

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.targets.design import GridDesign, build_target

DESIGN = GridDesign("DICT_6X6_250", columns=3, rows=4, size=0.04, gap=0.01, first_id=20)


@pytest.fixture
def board(opencv_dictionary):
    ids = np.arange(20, 32)
    return cv2.aruco.GridBoard((3, 4), 0.04, 0.01, opencv_dictionary("DICT_6X6_250"), ids)


def test_ids_and_corners_equal_opencvs_board(board):
    target = build_target(DESIGN)
    assert list(target.markers) == board.getIds().ravel().tolist()
    # their origin is the top left corner with y down; single precision: 0.2 m to 1.5e-8
    width, height = 3 * 0.05 - 0.01, 4 * 0.05 - 0.01
    for ours, theirs in zip(target.markers.values(), board.getObjPoints(), strict=True):
        theirs = (theirs[:, :2] - (0.5 * width, 0.5 * height)) * (1, -1)
        assert_allclose(ours, theirs, rtol=0, atol=5e-8)


def test_the_picture_equals_opencvs_picture_of_the_board(board, render):
    # 8 cells of 10 px a marker, gap of 20 px, 10 px quiet zone = one cell
    ours = render(build_target(DESIGN).drawing, 0.04 / 80)
    theirs = board.generateImage((280 + 20, 380 + 20), marginSize=10, borderBits=1)
    assert ours.shape == theirs.shape
    assert np.array_equal(ours > 127, theirs > 127)


def test_the_target_says_how_it_is_laid_out():
    target = build_target(DESIGN)
    assert (target.kind, target.layout, target.marker_size) == ("grid", (3, 4), 0.04)
    assert target.pitch == pytest.approx(0.05)
    assert target.name == "grid 6x6_250 3 x 4, 40 mm"
    assert target.extent == pytest.approx(0.19)


def test_markers_without_a_gap_touch(reflectance):
    target = build_target(GridDesign(columns=2, rows=1, size=0.08, gap=0.0))
    edge = np.array([[-1e-6, 0.0795 / 2], [1e-6, 0.0795 / 2]])
    assert reflectance(target.drawing, edge).tolist() == [0.05, 0.05]
