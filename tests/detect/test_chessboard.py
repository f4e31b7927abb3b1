import numpy as np
import pytest

from bench.detect.chessboard import Chessboard, fitting_window
from bench.detect.detection import Detector, Found
from bench.detect.observation import Observation
from bench.geometry.camera import Camera, project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.picture import Picture, Region
from bench.imaging.raster import reflectance_image
from bench.targets.chessboard import ChessboardDesign, build_chessboard

CAMERA = Camera(800, 600, 900.0, 900.0, 399.5, 299.5, (-0.1, 0.02, 0.0, 0.0, 0.0))
TARGET = build_chessboard(ChessboardDesign(columns=9, rows=6, square=0.025))


WHOLE = Region(0, 0, 800, 600)


def picture_of(view, region=WHOLE):
    pose = pose_of_view(view, CAMERA)
    image = reflectance_image(TARGET.drawing, pose, CAMERA, region)
    grey = np.rint(255.0 * image).astype(np.uint8)
    truth = project(np.column_stack((TARGET.points, np.zeros(54))), pose, CAMERA)
    return Picture(grey, u0=region.u0, v0=region.v0), truth


@pytest.mark.parametrize(
    "view",
    [View(0.5), View(0.5, turn=0.6, roll=0.2), View(0.6, pitch=-0.7, pixel=(450.0, 280.0))],
)
def test_corners_are_the_inner_corners_in_the_order_of_the_target(view):
    picture, truth = picture_of(view)
    detection = Chessboard().detect(Observation(picture, CAMERA, TARGET))
    assert detection.found is Found.FOUND
    np.testing.assert_array_equal(detection.p_target[:, :2], TARGET.points)
    check_pixels(detection, truth)


def check_pixels(detection, truth):
    """No offset, and no more scatter than the detector claims."""
    error = detection.pixels - truth
    # cornerSubPix locks on to the pixel grid where no lens blurs: that error is its own, and
    # it varies from corner to corner
    assert np.all(np.sqrt(np.mean(error**2, axis=0)) < detection.sigma_px)
    # four standard errors of the mean; an origin at a pixel's corner would be 0.5 px off
    assert np.all(np.abs(np.mean(error, axis=0)) < 4 * detection.sigma_px / np.sqrt(len(error)))


def test_part_of_the_frame_gives_sensor_pixels():
    whole, truth = picture_of(View(0.5, turn=0.3))
    part, _ = picture_of(View(0.5, turn=0.3), Region(101, 83, 600, 420))
    for picture in (whole, part):
        check_pixels(Chessboard().detect(Observation(picture, CAMERA, TARGET)), truth)


def test_missing_board_is_an_outcome():
    empty = Picture(np.full((600, 800), 90, np.uint8))
    detection = Chessboard().detect(Observation(empty, CAMERA, TARGET))
    assert detection.found is Found.MISSED
    assert len(detection.pixels) == len(detection.p_target) == 0


def test_window_is_a_third_of_the_smallest_spacing_within_limits():
    def board(spacing):
        columns, rows = np.meshgrid(np.arange(4), np.arange(3))
        return np.stack((40.0 * columns, spacing * rows), axis=-1).reshape(-1, 1, 2)

    assert fitting_window(board(24.5), 4, 3) == 8
    assert fitting_window(board(3.0), 4, 3) == 2
    assert fitting_window(board(39.0), 4, 3) == 11


def test_is_a_detector_for_chessboards_alone():
    assert isinstance(Chessboard(), Detector)
    assert Chessboard().supports("chessboard")
    assert not Chessboard().supports("charuco")
