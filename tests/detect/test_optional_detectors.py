"""Detectors that join where their package is installed: origin, order, outcomes, claims."""

import importlib.util
from dataclasses import replace

import numpy as np
import pytest

from bench.detect.detection import Found, refusal
from bench.errors import PlugInError
from bench.imaging.picture import Picture
from bench.plugins import DETECTORS, OPTIONAL, available, load
from bench.targets.design import GridDesign, MarkerDesign, build_target
from bench.targets.families import NAMES

MARKER = build_target(MarkerDesign(marker_id=7))


@pytest.fixture(params=OPTIONAL)
def detector(request):
    if importlib.util.find_spec(OPTIONAL[request.param]) is None:
        pytest.skip(f"{request.param} isn't installed")
    if request.param == "locus":
        from bench.detect.locus import Locus

        return Locus()
    from bench.detect.apriltag_python import AprilTagPython

    return AprilTagPython()


def test_where_the_package_is_missing_the_detector_is_not_listed_and_asking_says_why(monkeypatch):
    monkeypatch.setattr("bench.plugins.find_spec", lambda module: None)
    for name in OPTIONAL:
        assert name not in available(DETECTORS)
        with pytest.raises(PlugInError, match=rf"{name} needs .*sightbench\[{name}\]"):
            load(DETECTORS, name)


@pytest.mark.parametrize("roll_deg", [0.0, 80.0, 170.0])
def test_corners_come_in_order_from_the_pixel_s_centre(detector, roll_deg, scene_of):
    scene = scene_of(MARKER, 100.0, 30.0, roll_deg)
    detection = detector.detect(scene.observation)
    assert detection.marker_ids == (7,)
    # four times what it claims, where half a pixel of another origin would be 0.5
    assert np.abs(scene.errors(detection)).max() < 4.0 * np.hypot(detector.sigma_px, 0.03) < 0.25


def test_claimed_sigma_is_the_scatter_at_100_px(detector, errors_over_phases):
    errors = errors_over_phases(detector, MARKER, 100.0, 30.0, 0.0, np.random.default_rng(20))
    scatter = np.sqrt(np.mean((errors - errors.mean(axis=0)) ** 2))
    # as tests/detect/test_marker_detectors.py: known to 12 %, three times that
    assert scatter == pytest.approx(detector.sigma_px, rel=0.36)


def test_misses_foreign_ids_grids_and_tiny_pictures(detector, scene_of, picture_without_target):
    scene = scene_of(MARKER)
    empty = replace(scene.observation, picture=picture_without_target)
    assert detector.detect(empty).found is Found.MISSED
    tiny = replace(scene.observation, picture=Picture(np.zeros((7, 9), np.uint8)))
    assert detector.detect(tiny).found is Found.MISSED
    other = replace(scene.observation, target=build_target(MarkerDesign(marker_id=8)))
    assert detector.detect(other).found is Found.WRONG_ID
    grid = scene_of(build_target(GridDesign(columns=2, rows=2)), 300.0, 20.0, 5.0)
    assert len(detector.detect(grid.observation).pixels) == 16
    assert refusal(detector, build_target(MarkerDesign("DICT_7X7_50"))) is not None


def test_the_newer_library_reads_families_with_data_outside(scene_of):
    pytest.importorskip("apriltag")
    from bench.detect.apriltag_python import AprilTagPython

    for name in NAMES:
        scene = scene_of(build_target(MarkerDesign(name, 9)), 60.0, 30.0, 20.0)
        assert np.abs(scene.errors(AprilTagPython().detect(scene.observation))).max() < 0.2
