"""Every marker detector's pixel origin, corner order and outcomes, on pictures of known truth."""

import pickle
import re
from dataclasses import replace

import cv2
import numpy as np
import pytest

from bench.detect import aruco
from bench.detect.apriltag import AprilTag
from bench.detect.detection import Detector, Found, refusal
from bench.detect.observation import Observation
from bench.errors import TargetError
from bench.geometry.camera import Camera
from bench.imaging.model import Imaging
from bench.imaging.picture import Picture
from bench.imaging.sensor import Sensor
from bench.targets.design import (
    CharucoDesign,
    CirclesDesign,
    GridDesign,
    MarkerDesign,
    build_target,
)

DETECTORS = [aruco.none(), aruco.subpix(), aruco.contour(), aruco.apriltag(), AprilTag()]
MARKER = build_target(MarkerDesign(marker_id=7))

# Sign of each corner's outward direction in the picture: TL, TR, BR, BL.
OUTWARD = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])

each_detector = pytest.mark.parametrize("detector", DETECTORS, ids=lambda d: d.name)
frontal_and_tilted = pytest.mark.parametrize(
    ("turn_deg", "roll_deg"), [(0.0, 15.0), (35.0, 10.0)], ids=["frontal", "tilted"]
)


@frontal_and_tilted
@each_detector
def test_corners_come_in_the_target_s_order(detector, turn_deg, roll_deg, scene_of):
    scene = scene_of(MARKER, 100.0, turn_deg, roll_deg)
    detection = detector.detect(scene.observation)
    assert detection.found is Found.FOUND
    assert detection.marker_ids == (7,)
    np.testing.assert_array_equal(detection.p_target[:, :2], MARKER.markers[7])
    # Unrefined corners are whole pixels, one black pixel off on a side at most and another by
    # the adaptive threshold; corners in another order would be 80 px off or more.
    assert np.abs(scene.errors(detection)).max() < 2.0


@pytest.mark.parametrize("roll_deg", [0.0, 80.0, 170.0, -95.0])
@each_detector
def test_corners_turn_with_the_target(detector, roll_deg, scene_of):
    scene = scene_of(MARKER, 100.0, 20.0, roll_deg)
    assert np.abs(scene.errors(detector.detect(scene.observation))).max() < 2.0


# By what a detector's corners are shifted to the bottom right on average. Each library's pixel
# origin being undone exactly, symmetry leaves nothing, except in `aruco-apriltag`: 0.04 to 0.06
# px toward the top left, its own error. (The points that OpenCV fits lines to lie between two
# pixels, and each takes its weight from the one to the bottom right.) An origin off by half a
# pixel would give 0.5.
RESIDUE_PX = {"aruco-apriltag": -0.05}


@frontal_and_tilted
@each_detector
def test_pixel_origin_is_the_centre_of_the_top_left_pixel(
    detector, turn_deg, roll_deg, errors_over_phases
):
    errors = errors_over_phases(detector, MARKER, 100.0, turn_deg, roll_deg)
    offsets = errors.mean(axis=1)
    # three standard errors of the mean over the 36 places, and 0.01 px for the turned target,
    # whose near side is larger, so that what corners do to the inside doesn't quite cancel
    tolerance = 3.0 * offsets.std(axis=0) / np.sqrt(len(offsets)) + 0.01
    residue = RESIDUE_PX.get(detector.name, 0.0)
    assert np.all(np.abs(offsets.mean(axis=0) - residue) < tolerance)
    # the test itself can tell half a pixel, even a quarter
    assert np.all(tolerance < 0.125)


# How far a corner lies outside the marker, px along u and along v. The outermost black pixel's
# centre is half a pixel inside the edge, but for the adaptive threshold, which lies 7 grey
# values below the local mean and so moves the edge by less than a quarter of a pixel.
# `cornerSubPix` rounds a blurred corner off. Fitted lines have no reason to be off at all:
# 0.03 px is their scatter, 0.1, over the root of 36 places, doubled.
SHRINKAGE_PX = {
    "aruco-none": (-0.5, 0.25),
    "aruco-contour": (-0.5, 0.25),
    "aruco-subpix": (-0.15, 0.1),
    "aruco-apriltag": (0.0, 0.03),
    "apriltag": (0.0, 0.03),
}


@frontal_and_tilted
@each_detector
def test_a_detector_s_own_shrinkage_is_left_in(detector, turn_deg, roll_deg, errors_over_phases):
    errors = errors_over_phases(detector, MARKER, 100.0, turn_deg, roll_deg)
    expected, tolerance = SHRINKAGE_PX[detector.name]
    assert abs(np.mean(errors * OUTWARD) - expected) < tolerance


@each_detector
def test_claimed_sigma_is_the_scatter_at_100_px(detector, errors_over_phases):
    rng = np.random.default_rng(20)
    errors = errors_over_phases(detector, MARKER, 100.0, 30.0, 0.0, rng)
    scatter = np.sqrt(np.mean((errors - errors.mean(axis=0)) ** 2))
    # 36 pictures with four corners each, taken as 36 independent values since corners share the
    # phase: the scatter is known to 1 / √72 = 12 %, so three times that
    assert scatter == pytest.approx(detector.sigma_px, rel=0.36)


@pytest.mark.parametrize(
    "design",
    [GridDesign(first_id=3), CharucoDesign(dictionary="DICT_APRILTAG_36h11", first_id=3)],
    ids=["grid", "charuco"],
)
@each_detector
def test_all_markers_of_a_grid_and_a_charuco_board_are_found(detector, design, scene_of):
    target = build_target(design)
    scene = scene_of(target, 300.0, 35.0, 10.0)
    detection = detector.detect(scene.observation)
    assert detection.marker_ids == tuple(sorted(target.markers))
    np.testing.assert_array_equal(
        detection.p_target[:, :2], np.vstack([target.markers[i] for i in detection.marker_ids])
    )
    assert np.abs(scene.errors(detection)).max() < 2.0


@pytest.mark.parametrize("dictionary", ["DICT_APRILTAG_16h5", "DICT_APRILTAG_25h9"])
@each_detector
def test_other_apriltag_families_are_read_in_the_same_order(detector, dictionary, scene_of):
    target = build_target(MarkerDesign(dictionary=dictionary, marker_id=4))
    scene = scene_of(target, 100.0, 20.0, 10.0)
    assert np.abs(scene.errors(detector.detect(scene.observation))).max() < 2.0


@pytest.mark.parametrize("dictionary", ["DICT_4X4_50", "DICT_6X6_250", "DICT_ARUCO_ORIGINAL"])
@pytest.mark.parametrize("detector", DETECTORS[:4], ids=lambda d: d.name)
def test_opencv_reads_its_own_dictionaries(detector, dictionary, scene_of):
    target = build_target(MarkerDesign(dictionary=dictionary, marker_id=11))
    scene = scene_of(target, 100.0, 20.0, 10.0)
    assert np.abs(scene.errors(detector.detect(scene.observation))).max() < 2.0


@each_detector
def test_another_marker_of_the_dictionary_is_a_wrong_id(detector, scene_of):
    observation = scene_of(MARKER).observation
    other = build_target(MarkerDesign(marker_id=8))
    detection = detector.detect(replace(observation, target=other))
    assert detection.found is Found.WRONG_ID
    assert detection.marker_ids == (7,)
    assert len(detection.pixels) == len(detection.p_target) == 0


@each_detector
def test_no_marker_is_a_miss(detector, picture_without_target, scene_of):
    observation = scene_of(MARKER).observation
    detection = detector.detect(replace(observation, picture=picture_without_target))
    assert detection.found is Found.MISSED
    assert detection.marker_ids == ()


@each_detector
def test_of_two_markers_with_one_id_the_larger_is_taken(detector, scene_of):
    near, far = scene_of(MARKER, 100.0, 20.0, 5.0), scene_of(MARKER, 60.0, -20.0, 3.0)
    pictures = [s.observation.picture for s in (far, near)]
    height = max(p.grey.shape[0] for p in pictures)
    grey = np.hstack(
        [np.pad(p.grey, ((0, height - len(p.grey)), (0, 0)), "edge") for p in pictures]
    )
    # put so that the near marker's pixels are where they are on the sensor
    left = pictures[1].u0 - pictures[0].grey.shape[1]
    picture = Picture(grey, left, pictures[1].v0)
    detection = detector.detect(replace(near.observation, picture=picture))
    assert detection.marker_ids == (7, 7)
    assert len(detection.pixels) == 4
    assert np.abs(near.errors(detection)).max() < 2.0


@pytest.mark.parametrize("shape", [(1, 1), (1, 50), (2, 2), (7, 300), (300, 7), (8, 8)])
@each_detector
def test_a_picture_too_small_for_any_marker_is_a_miss(detector, shape, scene_of):
    # The AprilTag library reads beyond such pictures' ends when it is asked (measured on 1.0.4).
    grey = np.random.default_rng(3).integers(0, 256, shape, dtype=np.uint8)
    observation = replace(scene_of(MARKER).observation, picture=Picture(grey))
    assert detector.detect(observation).found is Found.MISSED


@each_detector
def test_pixels_are_the_sensor_s(detector, scene_of):
    observation = scene_of(MARKER, 100.0, 20.0, 10.0).observation
    picture = observation.picture
    at_origin = replace(observation, picture=Picture(picture.grey))
    np.testing.assert_allclose(
        detector.detect(observation).pixels,
        detector.detect(at_origin).pixels + (picture.u0, picture.v0),
        rtol=0.0,
        atol=1e-9,
    )


# Detectors work on pixels in single precision, 6e-5 px at 600 px; `aruco-contour` also solves
# normal equations in it, which costs two digits more.
CROP_PX = {"aruco-contour": 0.02}


@pytest.mark.parametrize("size_px", [25.0, 100.0])
@each_detector
def test_a_cut_out_region_is_as_good_as_the_frame(detector, size_px, scene_of):
    scene = scene_of(MARKER, size_px, 20.0, 10.0)
    part = scene.observation.picture
    # 25 px in 4400 are below OpenCV's relative limit of 3 % of the longer side in outline
    grey = np.full((400, 4400), part.grey[0, 0])
    height, width = part.grey.shape
    # at a multiple of the tiles, 4 px, that AprilTag's threshold works on
    grey[200 : 200 + height, 400 : 400 + width] = part.grey
    frame = Picture(grey, part.u0 - 400, part.v0 - 200)
    of_frame = detector.detect(replace(scene.observation, picture=frame))
    of_part = detector.detect(scene.observation)
    assert of_frame.found is of_part.found is Found.FOUND
    np.testing.assert_allclose(
        of_frame.pixels, of_part.pixels, rtol=0.0, atol=CROP_PX.get(detector.name, 5e-4)
    )


@each_detector
def test_twelve_bit_pictures_are_scaled(detector, scene_of):
    at_12_bits = Imaging(scene_of(MARKER).imaging.optics, sensor=Sensor(bit_depth=12))
    scenes = [
        scene_of(MARKER, 100.0, 20.0, 10.0),
        scene_of(MARKER, 100.0, 20.0, 10.0, imaging=at_12_bits),
    ]
    assert scenes[1].observation.picture.grey.dtype == np.uint16
    found = [detector.detect(s.observation).pixels for s in scenes]
    # the black level, 2 DN, is 1 % of full scale at 8 bits and nothing at 12; rounding moves a
    # threshold, and with it an unrefined corner, by one pixel at most
    assert np.abs(found[0] - found[1]).max() <= 1.0 + 1e-6


@each_detector
def test_a_detection_depends_on_its_picture_alone(detector, scene_of):
    rng = np.random.default_rng(5)
    first = scene_of(MARKER, 60.0, 20.0, 10.0, rng=rng).observation
    second = scene_of(MARKER, 90.0, -40.0, 30.0, rng=rng).observation
    grey = first.picture.grey.copy()
    before = detector.detect(first)
    detector.detect(second)
    cv2.setRNGSeed(99)
    for again in (detector, pickle.loads(pickle.dumps(detector))):
        after = again.detect(first)
        np.testing.assert_array_equal(after.pixels, before.pixels)
    np.testing.assert_array_equal(first.picture.grey, grey)


@each_detector
def test_is_a_detector_for_targets_with_markers(detector, scene_of):
    assert isinstance(detector, Detector)
    assert [k for k in ("marker", "grid", "charuco", "circles") if detector.supports(k)] == [
        "marker",
        "grid",
        "charuco",
    ]
    circles = replace(scene_of(MARKER).observation, target=build_target(CirclesDesign()))
    with pytest.raises(TargetError, match=rf"{detector.name} .*'asymmetric circles .*' has none"):
        detector.detect(circles)


@each_detector
def test_a_refusal_names_what_the_detector_reads(detector, scene_of):
    assert refusal(detector, MARKER) is None
    assert f"detector {detector.name} doesn't look for targets of kind 'circles'" in (
        refusal(detector, build_target(CirclesDesign())) or ""
    )
    other = build_target(MarkerDesign("DICT_4X4_50", 7))
    reason = refusal(detector, other)
    observation = replace(scene_of(MARKER).observation, target=other)
    if reason is None:  # then it does look
        assert detector.detect(observation).found is Found.MISSED
    else:
        expected = r"detector apriltag doesn't read DICT_4X4_50 of .* but .*_36h11, .*"
        assert re.fullmatch(expected, reason)
        with pytest.raises(TargetError):
            detector.detect(observation)


def test_detectors_hold_on_a_large_picture_with_noise(scene_of):
    # 12 bits, 2 megapixels: the size doesn't fit a crop, nothing but the marker is found
    scene = scene_of(MARKER, 60.0, 30.0, 20.0)
    part = scene.observation.picture
    rng = np.random.default_rng(8)
    grey = rng.normal(80.0, 3.0, (1200, 1700)).clip(0, 255).astype(np.uint8)
    grey[300 : 300 + part.grey.shape[0], 800 : 800 + part.grey.shape[1]] = part.grey
    camera = Camera(1700, 1200, 1000.0, 1000.0, 849.5, 599.5)
    for detector in (aruco.subpix(), AprilTag()):
        assert detector.detect(Observation(Picture(grey), camera, MARKER)).marker_ids == (7,)
