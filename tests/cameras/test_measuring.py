"""Photographs of any marker of a dictionary, and of boards that are printed in other ways."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from bench.cameras.marker_bits import most_unclear, unclear_bits
from bench.cameras.measuring import any_id_words, measure_picture
from bench.cameras.photographs import measurement_row, measurement_words, measurements_table
from bench.detect.observation import Observation
from bench.geometry.camera import Camera
from bench.geometry.rotation import log_rotation
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import Imaging, capture
from bench.imaging.optics import Optics
from bench.imaging.picture import Picture
from bench.imaging.region import Region
from bench.solve.pipeline import pipeline_from_name
from bench.targets.charuco import legacy_of
from bench.targets.design import MarkerDesign, build_target
from bench.targets.spec import target_from_spec

# strong distortion, so that cells of a near marker aren't where four corners alone have them
CAMERA = Camera(640, 480, 700.0, 700.0, 319.5, 239.5, (-0.25, 0.05, 0.0, 0.0, 0.0))
WHOLE = Region(0, 0, 640, 480)


def seen(target, view, blur=0.7, seed=1):
    """Return a whole frame's observation of a target and its pose."""
    pose = pose_of_view(view, CAMERA)
    imaging = Imaging(Optics(sigma_px=blur))
    rng = np.random.default_rng(seed)
    picture = capture(target.drawing, pose, CAMERA, imaging, WHOLE, rng)
    return Observation(picture, CAMERA, target), pose


def random_squares(rng, side=6, cell=6):
    """Return a frame of dark-framed squares, half of random bits, half of smooth random greys."""
    grey = np.full((480, 640), 200, np.uint8)
    for at, (row, column) in enumerate(np.ndindex(8, 11)):
        inner = side - 2
        if at % 2:
            values = rng.integers(0, 2, (inner, inner)) * 160.0 + 30.0
        else:
            values = rng.uniform(30.0, 190.0, (inner, inner))
        square = np.kron(np.pad(values, 1, constant_values=30.0), np.ones((cell, cell)))
        top, left = 12 + 58 * row, 8 + 57 * column
        grey[top : top + side * cell, left : left + side * cell] = square
    return cv2.GaussianBlur(grey, (0, 0), 0.7)


@pytest.mark.parametrize(
    ("name", "most"),
    # by hand: 4 · 30 / 2^16 = 0.002, with one wrong bit 17 times that, 0.03; 4 · 587 (1 + 36 + 630
    # + 7140 + 58905) / 2^36 = 0.002, five: 0.015; 4 · 38 · 22 / 2^21 = 0.002, two: 0.017
    [("16h5", 0), ("36h11", 4), ("21h7", 1), ("4x4_1000", 0)],
)
def test_as_many_bits_may_be_unclear_as_one_random_pattern_in_a_hundred_has(name, most):
    assert most_unclear(name) == most


@pytest.mark.parametrize("pipeline", ["apriltag/ippe-lm", "aruco-subpix/ippe-lm"])
def test_squares_that_are_no_markers_are_left_out_and_named(pipeline):
    target = build_target(MarkerDesign("16h5", 0, 0.1))
    rng = np.random.default_rng(5)
    pipeline = pipeline_from_name(pipeline)
    read = kept = 0
    for _ in range(4):
        observation = Observation(Picture(random_squares(rng)), CAMERA, target)
        found, left_out = measure_picture("a.png", observation, pipeline, any_id=True)
        read += len(left_out) + len([m for m in found if m.unclear_bits is not None])
        kept += len([m for m in found if m.unclear_bits is not None])
    words = list(any_id_words("DICT_APRILTAG_16h5", left_out))
    # OpenCV puts one bit right: 4 · 30 · 17 / 2^16 = 3 % of 352 squares, 11; below 5 once in 100
    assert read >= 5
    # of 176 squares of random bits 0.2 % are an id's to the last bit, 0.3: beyond 3 once in 1000
    assert kept <= 3
    assert "at most 0 of a marker's 16 bits are unclear" in words[0]
    assert "id" in words[1]


@pytest.mark.parametrize(
    ("name", "px", "turn_deg"),
    [("16h5", 30.0, 40.0), ("16h5", 280.0, 0.0), ("36h11", 40.0, 50.0), ("41h12", 24.0, 30.0)],
)
def test_true_markers_are_kept_small_slanted_or_bent_by_the_lens(name, px, turn_deg):
    target = build_target(MarkerDesign(name, 4, 0.1))
    asked = build_target(MarkerDesign(name, 0, 0.1))
    for seed in range(6):
        view = View(CAMERA.fx * 0.1 / px, np.radians(turn_deg), 0.1, 0.1 * seed, (330.3, 231.2))
        shown, _ = seen(target, view, seed=seed)
        (found,), left_out = measure_picture(
            "a.png",
            replace(shown, target=asked),
            pipeline_from_name("apriltag/ippe-lm"),
            any_id=True,
        )
        assert found.marker_id == 4
        # what the library sees in the marker's own bits, corners of clutter, is left out
        assert 4 not in [one.marker_id for one in left_out]
        assert found.unclear_bits <= most_unclear(name)


def test_a_covered_bit_is_unclear_and_the_table_says_how_many():
    target = build_target(MarkerDesign("36h11", 4, 0.1))
    shown, _ = seen(target, View(0.5))
    pipeline = pipeline_from_name("apriltag/ippe-lm")
    detection = pipeline.detect(shown)
    assert unclear_bits(shown, detection) == 0
    grey = shown.picture.grey.copy()
    # 140 px over 8 cells; from the first bit's outer corner on, two cells by one in middle grey
    u, v = np.rint(detection.pixels[0]).astype(int) + 17
    grey[v : v + 17, u : u + 35] = 110
    covered = replace(shown, picture=replace(shown.picture, grey=grey))
    (found,), _ = measure_picture("a.png", covered, pipeline)
    assert measurement_row(found)["unclear_bits"] == 2


def cv2_legacy(board, pixels):
    """Return OpenCV's own picture of a board in the layout before 4.6."""
    theirs = cv2.aruco.CharucoBoard(
        board.layout,
        board.pitch,
        board.marker_size,
        cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, board.dictionary)),
    )
    theirs.setLegacyPattern(True)
    columns, rows = board.layout
    return theirs.generateImage((columns * pixels, rows * pixels))


@pytest.mark.parametrize("layout", ["5x4", "5x5", "4x6"])
def test_the_legacy_drawing_is_the_one_that_opencv_made(layout, render_charuco):
    board = target_from_spec(f"charuco:4x4_50:{layout}:40 mm:24 mm")
    assert np.array_equal(render_charuco(legacy_of(board)), cv2_legacy(board, 10) > 127)


@pytest.fixture
def render_charuco():
    """Return a function: a board's squares sampled with 10 pixels a square."""

    def picture(board):
        columns, rows = board.layout
        x = ((np.arange(10 * columns) + 0.5) / 10 - 0.5 * columns) * board.pitch
        y = (0.5 * rows - (np.arange(10 * rows) + 0.5) / 10) * board.pitch
        sum_ = np.full((len(y), len(x)), board.drawing.background)
        for shape in board.drawing.shapes:
            for ring in shape.rings:
                x0, y0 = ring.min(axis=0)
                path = ((ring - (x0, y0)) * 1e5).astype(np.int64)
                inside = np.zeros_like(sum_, dtype=int)
                for (ax, ay), (bx, by) in zip(path, np.roll(path, -1, axis=0), strict=True):
                    if ax == bx:  # every ring has upright and level sides alone
                        low, high = sorted((ay, by))
                        rows_in = ((y - y0) * 1e5 > low) & ((y - y0) * 1e5 < high)
                        left = (x - x0) * 1e5 < ax
                        inside += np.outer(rows_in, left) * np.sign(by - ay)
                sum_ += inside * (shape.reflectance - shape.below)
        return sum_ > 0.45

    return picture


@pytest.mark.parametrize("pipeline", ["charuco/ippe-lm", "charuco/photometric"])
def test_a_board_in_the_old_layout_is_measured_and_said_to_be(pipeline):
    board = target_from_spec("charuco:4x4_50:5x4:40 mm:30 mm")
    shown, pose = seen(legacy_of(board), View(0.6, 0.4, 0.2, 0.1, (315.0, 250.0)))
    asked = replace(shown, target=board)
    (found,), _ = measure_picture("a.png", asked, pipeline_from_name(pipeline))
    assert "legacy" in found.read_as
    off = log_rotation(pose.rotation.T @ found.estimate.T_camera_target_est.rotation)
    assert np.linalg.norm(off) < np.radians(0.5)  # 0.1 px of 200: 0.03 deg, tilted 0.1
    table = measurements_table([measurement_row(found)])
    assert "legacy" in table["read_as"][0]
    assert any("1 picture read as" in line for line in measurement_words(table))


@pytest.mark.parametrize("pipeline", ["circles/ippe-lm", "circles/photometric"])
def test_circles_light_on_dark_are_measured_and_said_to_be(pipeline):
    board = target_from_spec("circles:4x11:20 mm:15 mm")
    shown, pose = seen(board, View(0.6, 0.4, 0.2, 0.1, (315.0, 250.0)))
    light = replace(shown.picture, grey=255 - shown.picture.grey)
    (found,), _ = measure_picture(
        "a.png", replace(shown, picture=light), pipeline_from_name(pipeline)
    )
    assert "light on dark" in found.read_as
    off = log_rotation(pose.rotation.T @ found.estimate.T_camera_target_est.rotation)
    assert np.linalg.norm(off) < np.radians(0.5)
