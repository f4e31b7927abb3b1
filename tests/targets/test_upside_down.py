"""Markers drawn upside down: the same drawing turned, and the same pose of the plate."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.cameras.measuring import same_marker
from bench.detect.apriltag import AprilTag
from bench.detect.observation import Observation
from bench.digest import content_digest
from bench.geometry.camera import Camera
from bench.geometry.rotation import log_rotation
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import Imaging, capture
from bench.imaging.region import region_of
from bench.solve.ippe import IppeLmSolver
from bench.targets.design import MarkerDesign, build_target
from bench.targets.spec import target_from_spec

CAMERA = Camera(2448, 2048, 3478.0, 3478.0, 1223.5, 1023.5)
POSE = pose_of_view(View(3.0, 0.5, 0.1, 0.05, (1200.3, 1000.6)), CAMERA)
LINES = ["marker:36h11:7:200 mm:upside-down", "grid:36h11:3x2:80 mm:20 mm:0:upside-down"]


def estimate(seen, looked_for):
    region = region_of(seen.drawing, POSE, CAMERA, 8.0)
    picture = capture(seen.drawing, POSE, CAMERA, Imaging(), region, np.random.default_rng(1))
    observation = Observation(picture, CAMERA, looked_for)
    return IppeLmSolver().solve(AprilTag().detect(observation), observation)


@pytest.mark.parametrize("line", LINES)
def test_a_plate_s_pose_is_the_same_whichever_way_its_markers_are_drawn(line):
    target = target_from_spec(line)
    found = estimate(target, target).T_camera_target_est
    # a corner's 0.05 px on 100 px and more: a tenth of a degree
    assert_allclose(log_rotation(POSE.rotation.T @ found.rotation), 0.0, atol=5e-3)


def test_taken_for_upright_it_is_half_a_turn_off():
    upright = target_from_spec("marker:36h11:7:200 mm")
    found = estimate(target_from_spec(LINES[0]), upright).T_camera_target_est
    turn = np.linalg.norm(log_rotation(POSE.rotation.T @ found.rotation))
    assert turn == pytest.approx(np.pi, abs=5e-3)


def test_its_name_says_so_another_id_keeps_it_and_digests_of_upright_ones_do_not_change():
    target = target_from_spec(LINES[0])
    assert target.name.endswith("upside down")
    other = same_marker(target, 3)
    assert_allclose(other.markers[3], target.markers[7])
    assert content_digest(MarkerDesign()) == content_digest(MarkerDesign(half_turn=False))
    turned = build_target(MarkerDesign(half_turn=True))
    assert content_digest(turned) != content_digest(build_target(MarkerDesign()))
