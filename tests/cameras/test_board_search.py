"""Boards drawn by OpenCV itself: as they are, in its old layout, inverted, described wrongly."""

import re

import cv2
import numpy as np
import pytest

from bench.cameras.adjustment import BoardView
from bench.cameras.board_search import LEGACY, LIGHT, nominal_camera, search, why_missed
from bench.cameras.calibration import Sighting, calibrate_from
from bench.cameras.calibration_pictures import look_for_boards, read_points
from bench.cameras.calibration_words import search_words
from bench.cameras.intrinsics import LensModel
from bench.cameras.model_choice import Freedom
from bench.cameras.photograph_targets import board_detector
from bench.detect.circles import Circles
from bench.detect.detection import Found
from bench.detect.observation import Observation
from bench.errors import ConfigError, PictureError
from bench.geometry.camera import Camera, project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.picture import Picture
from bench.targets.spec import target_from_spec

CHARUCO = "charuco:4x4_50:7x6:40 mm:30 mm"
ASYMMETRIC = "circles:4x11:20 mm:15 mm"


def tilted(grey, border=255):
    """A drawing seen a little from the side."""
    height, width = grey.shape
    corners = np.float32([[0, 0], [width, 0], [width, height], [0, height]])
    seen = np.float32([[90, 60], [700, 30], [660, 520], [60, 560]])
    homography = cv2.getPerspectiveTransform(corners, seen)
    picture = cv2.warpPerspective(
        grey, homography, (800, 600), flags=cv2.INTER_AREA, borderValue=border
    )
    return Picture(cv2.GaussianBlur(picture, (0, 0), 0.8))


def opencv_charuco(columns, rows, *, legacy=False, dictionary=cv2.aruco.DICT_4X4_50):
    """OpenCV's own drawing of a board."""
    book = cv2.aruco.getPredefinedDictionary(dictionary)
    board = cv2.aruco.CharucoBoard((columns, rows), 0.04, 0.03, book)
    board.setLegacyPattern(legacy)
    return board.generateImage((900, 800), marginSize=40)


def circles(columns=4, rows=11, *, symmetric=False, pitch=60, diameter=45):
    """White paper with black circles, supersampled by OpenCV's anti-aliased lines."""
    across = columns if symmetric else 2 * columns
    grey = np.full((pitch * (rows + 1), pitch * (across + 1)), 255, np.uint8)
    for row in range(rows):
        for column in range(columns):
            x = (column if symmetric else 2 * column + row % 2) + 1
            centre = (16 * pitch * x, 16 * pitch * (row + 1))
            cv2.circle(grey, centre, 8 * diameter, 0, -1, cv2.LINE_AA, 4)
    return grey


def look(spec, picture):
    board = target_from_spec(spec)
    return search(picture, board, board_detector(board, None))


@pytest.mark.parametrize("legacy", [False, True])
def test_charuco_of_both_layouts_is_found_and_the_old_one_said(legacy):
    found = look(CHARUCO, tilted(opencv_charuco(7, 6, legacy=legacy)))
    assert found.detection.found is Found.FOUND
    assert len(found.detection.pixels) == 30
    assert found.how == (LEGACY if legacy else "")


@pytest.mark.parametrize("light", [False, True])
@pytest.mark.parametrize("symmetric", [False, True])
def test_circles_of_both_patterns_and_polarities_are_found(symmetric, light):
    spec = "circles:7x5:20 mm:14 mm:symmetric" if symmetric else ASYMMETRIC
    grey = circles(7, 5, symmetric=True) if symmetric else circles()
    found = look(spec, tilted(255 - grey if light else grey, border=0 if light else 255))
    assert found.detection.found is Found.FOUND
    assert found.how == (LIGHT if light else "")


def wood(seed, shape=(1000, 1400)):
    """Light wood with dark streaks along the grain, alike in size and larger than the circles."""
    rng = np.random.default_rng(np.random.SeedSequence([seed, 23]))
    grey = np.full(shape, 190, np.uint8)
    for v in range(20, shape[0], 40):
        for u in range(80, shape[1], 200):
            place = (int(u + rng.integers(-30, 30)), v + int(rng.integers(-6, 6)))
            half = (int(rng.integers(55, 75)), int(rng.integers(9, 13)))
            cv2.ellipse(grey, place, half, float(rng.normal(0, 2)), 0, 360, 60, -1, cv2.LINE_AA)
    return grey


@pytest.mark.parametrize("seed", range(2))
def test_clean_circles_on_wood_grain_are_found_where_blob_limits_miss_them(seed):
    grey, board = wood(seed), circles(pitch=44, diameter=32)
    height, width = board.shape
    grey[150 : 150 + height, 500 : 500 + width] = board
    picture = Picture(cv2.GaussianBlur(grey, (0, 0), 0.8))
    target = target_from_spec(ASYMMETRIC)
    plain = Circles().detect(Observation(picture, nominal_camera(1400, 1000), target))
    assert plain.found is Found.MISSED
    found = look(ASYMMETRIC, picture)
    assert found.detection.found is Found.FOUND
    # the board's first circle is drawn at pixel (44, 44) of the paper; blobs' centres of flat
    # circles are good to a few hundredths of a pixel
    first = [500 + 44, 150 + 44]
    assert np.min(np.linalg.norm(found.detection.pixels - first, axis=1)) < 0.1


@pytest.mark.parametrize(
    ("spec", "grey", "says"),
    [
        ("charuco:4x4_50:6x7:40 mm:30 mm", opencv_charuco(7, 6), "7 x 6 squares.*swapped"),
        ("charuco:4x4_50:6x5:40 mm:30 mm", opencv_charuco(7, 6), "7 x 6 squares.*not inner"),
        (
            "charuco:4x4_50:6x7:40 mm:30 mm",
            opencv_charuco(7, 6, legacy=True),
            "7 x 6 squares.*legacy",
        ),
        (CHARUCO, 255 - opencv_charuco(7, 6), "inverted"),
        pytest.param(
            CHARUCO,
            opencv_charuco(7, 6, dictionary=cv2.aruco.DICT_5X5_50),
            "no marker of DICT_4X4_50 is seen, but 21 of DICT_5X5",
            marks=pytest.mark.slow,
        ),
        (CHARUCO, np.full((800, 900), 200, np.uint8), "^$"),
        ("circles:11x4:20 mm:15 mm", circles(), "asymmetric circles 4 x 11"),
        (ASYMMETRIC + ":symmetric", circles(), "asymmetric circles 4 x 11"),
    ],
)
def test_likely_reason_is_named(spec, grey, says):
    picture, board = tilted(grey), target_from_spec(spec)
    assert look(spec, picture).detection.found is not Found.FOUND
    assert re.search(says, why_missed(picture, board))


def test_squares_counted_for_corners_of_a_chessboard_are_named():
    columns, rows = 9, 6  # squares
    checks = np.kron(np.indices((rows, columns)).sum(axis=0) % 2, np.ones((80, 80))) * 255
    grey = np.pad(checks.astype(np.uint8), 80, constant_values=255)
    reason = why_missed(tilted(grey), target_from_spec("chessboard:9x6:25 mm"))
    assert "8 x 5 inner corners, not 9 x 6 (those were squares)" in reason


def test_reason_stands_in_the_refusal(tmp_path):
    grey = tilted(opencv_charuco(7, 6)).grey
    for name in "abc":
        cv2.imwrite(str(tmp_path / f"{name}.png"), grey)
    board = target_from_spec("charuco:4x4_50:6x7:40 mm:30 mm")
    size, sightings = look_for_boards(
        sorted(tmp_path.glob("*.png")), [(board, board_detector(board, None))], lambda *_: None
    )
    with pytest.raises(PictureError, match=r"0 of 3 pictures.*7 x 6 squares"):
        calibrate_from(sightings, size, Freedom())


def test_each_board_in_a_picture_is_a_view(tmp_path):
    both = np.full((400, 750), 255, np.uint8)
    both[:, :450] = opencv_charuco(7, 6)[::2, ::2]
    small = cv2.resize(circles(), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    both[20 : 20 + small.shape[0], 460 : 460 + small.shape[1]] = small[:, : 750 - 460]
    cv2.imwrite(str(tmp_path / "a.png"), cv2.GaussianBlur(both, (0, 0), 0.6))
    boards = [target_from_spec(s) for s in (CHARUCO, ASYMMETRIC)]
    _, sightings = look_for_boards(
        [tmp_path / "a.png"], [(b, board_detector(b, None)) for b in boards], lambda *_: None
    )
    assert [s.view.name for s in sightings] == [f"a.png, {board.name}" for board in boards]
    assert [len(s.view.pixels) for s in sightings] == [30, 44]


CAMERA = Camera(1280, 960, 1400.0, 1400.0, 645.0, 470.0, (-0.2, 0.1, 0.0, 0.0, 0.0))
HEADER = "picture,u_px,v_px,x_mm,y_mm"


def test_lists_of_points_calibrate_as_the_pictures_that_they_are_from(tmp_path):
    x, y = np.meshgrid(np.arange(9) * 25.0, np.arange(6) * 25.0)
    board = np.column_stack((x.ravel(), y.ravel(), np.zeros(54)))
    centred = 1e-3 * (board - [100.0, 62.5, 0.0])
    lines = [HEADER]
    turns = [(0.5, 0.0), (-0.5, 0.2), (0.0, 0.5), (0.1, -0.5), (0.4, 0.4)]
    for i, (turn, pitch) in enumerate(turns):
        pose = pose_of_view(View(0.5, turn=turn, pitch=pitch, roll=0.2 * i), CAMERA)
        pixels = project(centred, pose, CAMERA)
        lines += [
            f"p{i},{u:.9f},{v:.9f},{a},{b}"
            for (u, v), (a, b, _) in zip(pixels, board, strict=True)
        ]
    table = tmp_path / "points.csv"
    table.write_text("\n".join(lines))
    run = calibrate_from(read_points(table), (1280, 960), Freedom(True, False, 2, 0))
    assert run.calibration.model == LensModel(True, False, False, 2)
    # written to 1e-9 px
    assert run.calibration.camera.fx == pytest.approx(1400.0, abs=1e-5)


def test_point_given_twice_is_refused(tmp_path):
    table = tmp_path / "points.csv"
    table.write_text(f"{HEADER}\na,1,2,0,0\na,3,4,0,0\n")
    with pytest.raises(ConfigError, match="line 3"):
        read_points(table)


def test_sighting_says_in_which_way_it_was_read():
    view = BoardView("a.png", np.empty((0, 2)), np.empty((0, 3)))
    words = search_words([Sighting(view, "used", how=LIGHT), Sighting(view, "missed", "", "why")])
    assert words == [f"1 of 2 pictures were read as {LIGHT}", "a.png: not used, missed: why"]
