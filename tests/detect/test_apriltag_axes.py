"""How the AprilTag library's own corners and axes lie to those that OpenCV draws a tag with."""

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from bench.detect.apriltag import FAMILIES, ORDER, ORIGIN_PX, AprilTag, _library
from bench.errors import TargetError
from bench.geometry.camera import project
from bench.targets.design import MarkerDesign, build_target
from bench.targets.families import NAMES


@pytest.mark.parametrize("dictionary", sorted(set(FAMILIES) - set(NAMES)))
def test_the_library_s_axes_are_a_half_turn_from_opencv_s(dictionary, scene_of):
    target = build_target(MarkerDesign(dictionary=dictionary, marker_id=4))
    scene = scene_of(target, 100.0, 20.0, 10.0)
    picture = scene.observation.picture
    (tag,) = _library(FAMILIES[dictionary], 0).detect(picture.grey8)
    corners = np.column_stack((target.markers[4], np.zeros(4)))
    true = project(corners, scene.T_camera_target, scene.observation.camera)
    true = true - (picture.u0, picture.v0) + ORIGIN_PX
    # its corners as they come: top right, top left, bottom left, bottom right
    np.testing.assert_allclose(tag.corners, true[ORDER], atol=0.3)
    # the library's tag has x right and y down, from -1 to 1: its x axis is minus ours
    homography = np.asarray(tag.homography)
    x_end, origin = homography @ [1.0, 0.0, 1.0], homography @ [0.0, 0.0, 1.0]
    direction = x_end[:2] / x_end[2] - origin[:2] / origin[2]
    ours = (true[1] - true[0]) / np.linalg.norm(true[1] - true[0])
    assert direction @ ours / np.linalg.norm(direction) < -0.99


@pytest.mark.parametrize("dictionary", ["DICT_4X4_50", "DICT_APRILTAG_36h10"])
def test_a_dictionary_that_the_library_does_not_read_is_refused(dictionary, scene_of):
    target = build_target(MarkerDesign(dictionary=dictionary))
    observation = replace(scene_of(build_target(MarkerDesign())).observation, target=target)
    with pytest.raises(TargetError, match=f"apriltag doesn't read {dictionary} .*36h11"):
        AprilTag().detect(observation)


def test_a_thread_s_detector_is_never_taken_apart():
    # pupil_apriltags.Detector.__del__ (1.0.4) frees what the detector still points to
    code = (
        "import numpy as np\n"
        "from bench.detect.apriltag import _library\n"
        "library = _library('tag36h11', 0)\n"
        "library.__del__()\n"
        "print(len(library.detect(np.zeros((64, 64), np.uint8))))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout.strip()) == (0, "0"), done.stderr


def test_each_thread_has_its_own_detector():
    assert _library("tag36h11", 1) is _library("tag36h11", 1)
    assert _library("tag36h11", 1) is not _library("tag36h11", 2)
