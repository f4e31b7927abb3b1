"""Marker corners in photographs, against the numbers that their publishers hold them to.

OpenCV 4.11 (opencv-python-headless 4.11.0.86): photographs of its tutorials with the gold
corners of modules/objdetect/test/test_aruco_tutorial.cpp, whole pixels, unrefined.

apriltag-python 3.4.5: photographs with the library's own output (refine_edges off, full
resolution), so agreement shows the same origin, order and algorithm, not truth. Its pixel
origin is the top-left pixel's corner, ours its centre, and it starts at another corner the
other way round.
"""

import re

import numpy as np
import pytest

from bench.detect import aruco
from bench.detect.apriltag import AprilTag
from bench.detect.observation import Observation
from bench.geometry.camera import Camera
from bench.imaging.picture import Picture
from bench.imaging.read import read_picture
from bench.targets.marker import MarkerDesign, build_marker

pytestmark = pytest.mark.network


def observation(picture, dictionary, marker_id):
    height, width = picture.grey.shape
    camera = Camera(width, height, width, width, 0.5 * (width - 1), 0.5 * (height - 1))
    return Observation(picture, camera, build_marker(MarkerDesign(dictionary, marker_id, 0.1)))


# photograph, C++ test, dictionary (None: the tutorial's own file), number of markers
OPENCV = [
    ("aruco_detection/images/singlemarkersoriginal", "singlemarkersoriginal", "DICT_6X6_250", 6),
    ("aruco_board_detection/images/gboriginal", "gboriginal", None, 35),
    ("charuco_detection/images/choriginal", "choriginal", "DICT_6X6_250", 17),
    ("charuco_detection/images/chocclusion_original", "chocclusion", "DICT_6X6_250", 13),
]


def gold_corners(source, test):
    """Return ids and corners (N, 4, 2) from a test of test_aruco_tutorial.cpp."""
    body = source.split(f"can_find_{test})")[1].split("TEST(")[0]
    table = re.search(r"goldCorners\[N\]\[8\] = \{(.*?)\};", body, re.DOTALL).group(1)
    corners = np.array([int(n) for n in re.findall(r"\d+", table)], float).reshape(-1, 4, 2)
    ids = re.search(r"goldCornersIds\[N\] = \{(.*?)\};", body)
    if ids is None:
        return list(range(len(corners))), corners
    return [int(n) for n in re.findall(r"\d+", ids.group(1))], corners


@pytest.mark.parametrize(("photograph", "test", "dictionary", "number"), OPENCV)
def test_opencv_photograph_gives_the_gold_corners(
    opencv_source, photograph, test, dictionary, number
):
    if dictionary is None:
        tutorial = opencv_source / "samples/cpp/tutorial_code/objectDetection/tutorial_dict.yml"
        dictionary = str(tutorial)
    picture = read_picture(opencv_source / "doc/tutorials/objdetect" / f"{photograph}.jpg")
    source = opencv_source / "modules/objdetect/test/test_aruco_tutorial.cpp"
    ids, corners = gold_corners(source.read_text(), test)
    detector = aruco.none()
    found = detector.detect(observation(picture, dictionary, ids[0])).marker_ids
    assert len(found) == number
    assert sorted(found) == sorted(ids)
    for marker_id, gold in zip(ids, corners, strict=True):
        detection = detector.detect(observation(picture, dictionary, marker_id))
        # the publisher's own tolerance
        assert np.max(np.abs(detection.pixels - gold)) <= 1.0


APRILTAG = ["33369213973_9d9bb4cc96_c", "34085369442_304b6bafd9_c", "34139872896_defdb2f8d9_c"]


def expected_corners(path):
    """Return corners (N, 4, 2) of the text file in our origin and order; all ids are 0."""
    lines = [line.split(",", 1) for line in path.read_text().splitlines()]
    assert {int(marker_id) for marker_id, _ in lines} == {0}
    numbers = [[float(n) for n in re.findall(r"-?[\d.]+", text)] for _, text in lines]
    return np.array(numbers).reshape(-1, 4, 2)[:, [1, 0, 3, 2]] - 0.5


def nearest_differences(detector, picture, expected):
    """Return found minus expected corners and the expected, (M, 4, 2) each, from cut-outs.

    All markers have id 0, of which an adapter keeps the largest: in a cut-out that may be a
    neighbour, so a found marker is compared with the nearest expected one.
    """
    differences, matched = [], []
    height, width = picture.grey.shape
    for corners in expected:
        margin = 0.5 * np.max(np.ptp(corners, axis=0)) + 24
        low = np.maximum(np.floor(corners.mean(axis=0) - margin), 0).astype(int)
        high = np.minimum(corners.mean(axis=0) + margin, [width, height]).astype(int)
        cut = np.ascontiguousarray(picture.grey[low[1] : high[1], low[0] : high[0]])
        part = Picture(cut, u0=int(low[0]), v0=int(low[1]))
        whole = observation(picture, "DICT_APRILTAG_36h11", 0)
        detection = detector.detect(Observation(part, whole.camera, whole.target))
        if len(detection.pixels):
            nearest = np.argmin(np.abs(expected - detection.pixels).max(axis=(1, 2)))
            differences.append(detection.pixels - expected[nearest])
            matched.append(expected[nearest])
    return np.array(differences), np.array(matched)


@pytest.mark.parametrize("photograph", APRILTAG)
def test_apriltag_photograph_gives_the_library_s_corners(
    apriltag_photographs, corner_reach, photograph
):
    picture = read_picture(apriltag_photographs / f"{photograph}.jpg")
    expected = expected_corners(apriltag_photographs / f"{photograph}.txt")
    whole = AprilTag().detect(observation(picture, "DICT_APRILTAG_36h11", 0))
    # ours is an older release that refines edges: a marker more or less in ten, of 18 px each
    assert set(whole.marker_ids) == {0}
    assert abs(len(whole.marker_ids) - len(expected)) <= 0.15 * len(expected)
    refined, matched = nearest_differences(AprilTag(), picture, expected)
    assert len(refined) >= 0.85 * len(expected)
    # refinement looks for the edge up to quad_decimate + 1 = 2 px on either side of where it was
    # (apriltag.c, refine_edges)
    allowed = corner_reach(matched, edge_px=2.0)
    assert np.all(np.linalg.norm(refined, axis=2) < allowed)
    # the corners are nearer to our origin than to one half a pixel off
    assert np.all(np.abs(np.median(refined, axis=(0, 1))) < 0.25)


@pytest.mark.parametrize("photograph", APRILTAG)
def test_unrefined_corners_agree_to_a_fraction_of_a_pixel(apriltag_photographs, photograph):
    picture = read_picture(apriltag_photographs / f"{photograph}.jpg")
    expected = expected_corners(apriltag_photographs / f"{photograph}.txt")
    unrefined, _ = nearest_differences(aruco.apriltag(), picture, expected)
    assert len(unrefined) >= 3
    # OpenCV's copy of the same algorithm, on the same pixels but for another JPEG decoder: most
    # markers' worst corner is nearer to the library's than half the distance of the origins
    assert np.median(np.abs(unrefined).max(axis=(1, 2))) < 0.25
