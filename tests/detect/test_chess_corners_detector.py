"""Corners by chess-corners, where it is installed, beside OpenCV's on the same pictures."""

import numpy as np
import pytest

from bench.cameras.photograph_targets import chessboard_detector
from bench.detect.chessboard import Chessboard
from bench.detect.detection import Detector, Found
from bench.detect.observation import Observation
from bench.errors import ConfigError
from bench.geometry.camera import Camera, project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import Imaging
from bench.imaging.optics import Optics
from bench.imaging.picture import Picture, Region
from bench.render.planar import render_target
from bench.targets.chessboard import ChessboardDesign, build_chessboard

CAMERA = Camera(800, 600, 900.0, 900.0, 399.5, 299.5, (-0.1, 0.02, 0.0, 0.0, 0.0))
TARGET = build_chessboard(ChessboardDesign(columns=9, rows=6, square=0.025))
VIEWS = [View(0.5), View(0.5, turn=0.6, roll=0.2), View(0.6, pitch=-0.7, pixel=(450.0, 280.0))]
PART = Region(61, 43, 680, 520)


@pytest.fixture
def detector():
    pytest.importorskip("chess_corners")
    return chessboard_detector("chess-corners", None, "--corners")


def errors(detector, view):
    pose = pose_of_view(view, CAMERA)
    rng = np.random.default_rng(np.random.SeedSequence([17, int(1e3 * view.turn)]))
    picture = render_target(TARGET, pose, CAMERA, Imaging(Optics(sigma_px=0.7)), rng, PART)
    detection = detector.detect(Observation(picture, CAMERA, TARGET))
    assert len(detection.pixels) == 54
    return detection.pixels - project(detection.p_target, pose, CAMERA)


def test_corners_are_nearer_than_opencv_s_and_counted_from_the_pixel_s_centre(detector):
    ours, opencv = (
        np.vstack([errors(d, view) for view in VIEWS]) for d in (detector, Chessboard())
    )
    # twice as near (reports/detectors); a scatter of 324 numbers is known to 4 %
    assert np.sqrt(np.mean(ours**2)) < 0.7 * np.sqrt(np.mean(opencv**2))
    # half a pixel of another origin, or of the picture's part, would be 0.5
    assert np.abs(ours).max() < 0.1


def test_it_is_a_detector_of_chessboards_alone_and_misses_what_is_not_there(detector):
    assert isinstance(detector, Detector)
    assert detector.supports("chessboard")
    assert not detector.supports("charuco")
    empty = Picture(np.full((600, 800), 90, np.uint8))
    assert detector.detect(Observation(empty, CAMERA, TARGET)).found is Found.MISSED


def test_without_its_package_it_is_asked_for_by_name(monkeypatch):
    monkeypatch.setattr("bench.cameras.photograph_targets.find_spec", lambda module: None)
    with pytest.raises(ConfigError, match=r"sightbench\[chess-corners\]"):
        chessboard_detector("chess-corners", None, "--corners")
    with pytest.raises(ConfigError, match="--window is of chessboard"):
        chessboard_detector("chess-corners", 5, "--corners")
