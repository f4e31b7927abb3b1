"""AprilTag families with data outside the border: the library reads what we draw, as we say."""

from dataclasses import replace

import numpy as np
import pytest

from bench.detect.apriltag import FAMILIES, AprilTag, _library
from bench.detect.aruco import subpix
from bench.detect.detection import Found, refusal
from bench.errors import TargetError
from bench.geometry.rotation import log_rotation
from bench.solve.ippe import IppeLmSolver
from bench.solve.photometric import PhotometricSolver
from bench.targets.design import GridDesign, MarkerDesign, build_target
from bench.targets.families import NAMES

# Wide of the mark: the library's own scatter on exact pictures, 0.05 px a coordinate (as of the
# other families), four times.
CORNER_PX = 0.2

each_family = pytest.mark.parametrize("name", NAMES)


@each_family
@pytest.mark.parametrize("half_turn", [False, True])
def test_the_library_reads_the_id_without_a_wrong_bit_at_the_corners_drawn(
    name, half_turn, scene_of
):
    target = build_target(MarkerDesign(name, 21, half_turn=half_turn))
    scene = scene_of(target, 60.0, 35.0, 20.0)
    (tag,) = _library(FAMILIES[name], 0).detect(scene.observation.picture.grey8)
    assert (tag.tag_id, tag.hamming) == (21, 0)
    detection = AprilTag().detect(scene.observation)
    np.testing.assert_array_equal(detection.p_target[:, :2], target.markers[21])
    assert np.abs(scene.errors(detection)).max() < CORNER_PX


@each_family
def test_the_library_s_axes_are_ours(name, scene_of):
    scene = scene_of(build_target(MarkerDesign(name, 3)), 100.0, 0.0, 10.0)
    (tag,) = _library(FAMILIES[name], 0).detect(scene.observation.picture.grey8)
    x_end, origin = (np.asarray(tag.homography) @ [x, 0.0, 1.0] for x in (1.0, 0.0))
    direction = x_end[:2] / x_end[2] - origin[:2] / origin[2]
    # our x, right on the face, in the picture: the view's roll alone
    roll = scene.T_camera_target.rotation[:2, 0]
    assert direction @ roll / np.linalg.norm(direction) > 0.999


def test_a_grid_of_them_is_found_whole(scene_of):
    target = build_target(GridDesign("41h12", 3, 2, 0.05, 0.01, first_id=100))
    scene = scene_of(target, 300.0, 30.0, 5.0)
    detection = AprilTag().detect(scene.observation)
    assert detection.marker_ids == tuple(range(100, 106))
    assert np.abs(scene.errors(detection)).max() < CORNER_PX


@pytest.mark.parametrize("name", ["tagStandard41h12", "tagCircle21h7"])
def test_corners_and_the_whole_image_give_the_pose_that_they_claim(name, scene_of):
    target = build_target(MarkerDesign(name, 5, size=0.1))
    scene = scene_of(target, 80.0, 40.0, 10.0, rng=np.random.default_rng(7))
    detection = AprilTag().detect(scene.observation)
    errors = []
    for solver in (IppeLmSolver(), PhotometricSolver()):
        estimate = solver.solve(detection, scene.observation)
        found = estimate.T_camera_target_est
        rotation = scene.T_camera_target.rotation.T @ found.rotation
        error = np.append(
            log_rotation(rotation), found.translation - scene.T_camera_target.translation
        )
        errors.append(np.linalg.norm(error[:3]))
        # chi-square of six beyond 22.5: once in a thousand
        assert error @ np.linalg.solve(estimate.covariance, error) < 22.5
    assert errors[1] < errors[0]  # data in and outside the border say more than four corners


def test_opencv_s_detectors_are_refused_before_any_picture(scene_of):
    target = build_target(MarkerDesign("tagStandard41h12"))
    assert "aruco-subpix doesn't read tagStandard41h12" in str(refusal(subpix(), target))
    assert refusal(AprilTag(), target) is None
    observation = replace(scene_of(build_target(MarkerDesign())).observation, target=target)
    with pytest.raises(TargetError, match="aruco-subpix doesn't read tagStandard41h12"):
        subpix().detect(observation)


def test_a_marker_of_another_id_of_the_family_is_a_wrong_id(scene_of):
    scene = scene_of(build_target(MarkerDesign("tagStandard41h12", 8)))
    other = build_target(MarkerDesign("tagStandard41h12", 9))
    detection = AprilTag().detect(replace(scene.observation, target=other))
    assert detection.found is Found.WRONG_ID
    assert detection.marker_ids == (8,)
