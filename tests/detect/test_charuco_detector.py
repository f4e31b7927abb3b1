import pickle
from dataclasses import replace

import cv2
import numpy as np
import pytest

from bench.detect.charuco import Charuco
from bench.detect.detection import Detector, Found
from bench.errors import TargetError
from bench.imaging.picture import Picture
from bench.targets.design import CharucoDesign, CirclesDesign, build_target

DETECTOR = Charuco()
BOARD = build_target(CharucoDesign())
SHIFTED = build_target(CharucoDesign(columns=5, rows=4, dictionary="DICT_5X5_100", first_id=17))
SIZE_PX = 250.0

boards = pytest.mark.parametrize("target", [BOARD, SHIFTED], ids=lambda t: t.name)
views = pytest.mark.parametrize(
    ("turn_deg", "roll_deg"), [(0.0, 15.0), (35.0, 10.0)], ids=["frontal", "tilted"]
)


@boards
@pytest.mark.parametrize("roll_deg", [15.0, 100.0, 170.0])
@pytest.mark.parametrize("turn_deg", [0.0, 35.0])
def test_all_inner_corners_are_matched_to_their_own(target, turn_deg, roll_deg, scene_of):
    scene = scene_of(target, SIZE_PX, turn_deg, roll_deg)
    detection = DETECTOR.detect(scene.observation)
    assert detection.found is Found.FOUND
    np.testing.assert_array_equal(detection.p_target[:, :2], target.points)
    assert detection.marker_ids == tuple(target.markers)
    # a third of a pixel is ten times the claimed scatter; the next corner is 30 px away
    assert np.abs(scene.errors(detection)).max() < 0.35


@boards
@views
def test_pixel_origin_is_the_centre_of_the_top_left_pixel(
    target, turn_deg, roll_deg, errors_over_phases
):
    errors = errors_over_phases(DETECTOR, target, SIZE_PX, turn_deg, roll_deg)
    offsets = errors.mean(axis=1)
    # three standard errors over 36 places, and 0.02 px for what a window of up to 21 px sees
    # of perspective; an origin at a pixel's corner would be 0.5 px off
    tolerance = 3.0 * offsets.std(axis=0) / 6.0 + 0.02
    assert np.all(np.abs(offsets.mean(axis=0)) < tolerance)
    assert np.all(tolerance < 0.1)


def test_claimed_sigma_is_the_scatter_at_250_px(errors_over_phases):
    rng = np.random.default_rng(21)
    errors = errors_over_phases(DETECTOR, BOARD, SIZE_PX, 30.0, 0.0, rng)
    scatter = np.sqrt(np.mean((errors - errors.mean(axis=0)) ** 2))
    # see test_claimed_sigma_is_the_scatter_at_100_px
    assert scatter == pytest.approx(DETECTOR.sigma_px, rel=0.36)


def test_a_part_of_the_board_gives_the_corners_that_it_shows(scene_of):
    scene = scene_of(BOARD, SIZE_PX, 20.0, 10.0)
    picture = scene.observation.picture
    left = Picture(picture.grey[:, :244], picture.u0, picture.v0)
    detection = DETECTOR.detect(replace(scene.observation, picture=left))
    assert detection.found is Found.FOUND
    assert 4 <= len(detection.pixels) < len(BOARD.points)
    assert np.abs(scene.errors(detection)).max() < 0.35


def test_fewer_than_four_corners_or_a_single_line_are_a_miss(scene_of):
    scene = scene_of(BOARD, SIZE_PX, 0.0, 0.0)
    picture = scene.observation.picture
    square = SIZE_PX / 5.0  # px; the extent, that of the inner corners, is five squares
    start = 16.0 + square * (0.03 / 6.0) / 0.04  # the picture's margin and the quiet zone
    for columns, rows in ((2.4, 2.4), (7.5, 2.4)):
        # white over all but so many squares at the top left, from the board's margin on
        grey = picture.grey.copy()
        grey[:, round(start + columns * square) :] = grey.max()
        grey[round(start + rows * square) :] = grey.max()
        part = replace(scene.observation, picture=replace(picture, grey=grey))
        corners = cv2.aruco.CharucoDetector(
            cv2.aruco.CharucoBoard(
                (7, 5), 0.04, 0.03, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
            )
        ).detectBoard(grey)[0]
        # OpenCV finds some, but no pose follows from them
        assert len(corners) >= 1
        detection = DETECTOR.detect(part)
        assert detection.found is Found.MISSED
        assert detection.marker_ids


def test_a_board_of_other_ids_is_a_wrong_id(scene_of):
    other = build_target(CharucoDesign(first_id=20))
    detection = DETECTOR.detect(replace(scene_of(BOARD, SIZE_PX).observation, target=other))
    assert detection.found is Found.WRONG_ID
    assert detection.marker_ids == tuple(BOARD.markers)
    assert len(detection.pixels) == 0


def test_no_board_is_a_miss(scene_of, picture_without_target):
    observation = scene_of(BOARD, SIZE_PX).observation
    for picture in (picture_without_target, Picture(np.zeros((3, 2), np.uint8))):
        detection = DETECTOR.detect(replace(observation, picture=picture))
        assert (detection.found, detection.marker_ids) == (Found.MISSED, ())


def test_pixels_are_the_sensor_s(scene_of):
    observation = scene_of(BOARD, SIZE_PX, 20.0, 10.0).observation
    picture = observation.picture
    at_origin = DETECTOR.detect(replace(observation, picture=Picture(picture.grey)))
    np.testing.assert_allclose(
        DETECTOR.detect(observation).pixels,
        at_origin.pixels + (picture.u0, picture.v0),
        rtol=0.0,
        atol=1e-9,
    )


def test_a_detection_depends_on_its_picture_alone(scene_of):
    observation = scene_of(BOARD, SIZE_PX, 20.0, 10.0).observation
    before = DETECTOR.detect(observation)
    DETECTOR.detect(scene_of(SHIFTED, SIZE_PX, -30.0, 40.0).observation)
    after = pickle.loads(pickle.dumps(DETECTOR)).detect(observation)
    np.testing.assert_array_equal(after.pixels, before.pixels)


def test_is_a_detector_for_charuco_boards_alone(scene_of):
    assert isinstance(DETECTOR, Detector)
    assert [k for k in ("marker", "grid", "charuco", "circles") if DETECTOR.supports(k)] == [
        "charuco"
    ]
    circles = replace(scene_of(BOARD).observation, target=build_target(CirclesDesign()))
    with pytest.raises(TargetError, match="detector charuco looks for markers"):
        DETECTOR.detect(circles)
