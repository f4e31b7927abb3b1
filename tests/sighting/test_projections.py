"""The quick arrays of siting against the functions for one target that everything else uses."""

import math

import numpy as np
import pytest

from bench.geometry.camera import project
from bench.geometry.viewing import tilt_of_pose, view_of_pose
from bench.scene.load import load_bay
from bench.scene.model import wheels_of_tower
from bench.sighting.prediction import Predictor, in_bay
from bench.sighting.projections import corner_points, project_plates
from bench.sighting.sighting import sightings
from bench.solve.bounds import corner_bound

SIGMA_PX = 0.2


@pytest.fixture(scope="module")
def bay():
    return load_bay()


@pytest.fixture(scope="module")
def seen(bay):
    return sightings(bay, Predictor("corner", SIGMA_PX), visible=False)


def tower_of(bay, one):
    return next(tower for tower in bay.towers if tower.name == one.tower)


def test_every_wheel_is_sighted_from_its_own_side(bay, seen):
    assert len(seen) == sum(len(wheels_of_tower(bay, tower)) for tower in bay.towers)
    assert {(one.tower, one.wheel.side) for one in seen} == {("left", "left"), ("right", "right")}


def test_outlines_are_the_projected_plates(bay, seen):
    outline = np.column_stack((bay.target.drawing.outline, np.zeros(4)))
    for one in seen:
        expected = project(outline, one.T_camera_target, tower_of(bay, one).camera)
        np.testing.assert_allclose(one.outline_px, expected, atol=1e-9)  # px, rounding


def test_range_and_tilt_are_those_of_the_viewing_geometry(seen):
    for one in seen:
        assert one.range == pytest.approx(view_of_pose(one.T_camera_target).range_m, rel=1e-12)
        assert one.tilt == pytest.approx(tilt_of_pose(one.T_camera_target), abs=1e-12)
        assert math.cos(one.tilt) == pytest.approx(math.cos(one.turn) * math.cos(one.pitch))


def test_predictions_are_the_corner_bound_turned_into_the_bay(bay, seen):
    points = corner_points(bay.target)
    p_target = np.column_stack((points, np.zeros(len(points))))
    for one in seen:
        tower = tower_of(bay, one)
        covariance = corner_bound(p_target, one.T_camera_target, tower.camera, SIGMA_PX)
        expected = in_bay(covariance, tower.T_bay_camera, one.T_camera_target)
        p = one.prediction
        # normal equations keep 1e-16 times their condition, below 1e10
        np.testing.assert_allclose((p.toe, p.camber, p.along, p.across), expected, rtol=1e-5)


def test_margin_is_the_least_room_to_an_edge(bay, seen):
    for one in seen:
        camera = tower_of(bay, one).camera
        u, v = one.outline_px.T
        rooms = {
            "left": u.min() + 0.5,
            "right": camera.width - 0.5 - u.max(),
            "upper": v.min() + 0.5,
            "lower": camera.height - 0.5 - v.max(),
        }
        assert one.margin_px == pytest.approx(min(rooms.values()))
        assert rooms[one.edge] == pytest.approx(one.margin_px)
        # f w / range: the plate if it faced the camera
        width = camera.fx * bay.target.drawing.width / one.range
        assert one.margin == pytest.approx(one.margin_px / width)


def test_the_right_tower_sees_the_left_one_s_picture_mirrored(bay, seen):
    left = [one for one in seen if one.tower == "left"]
    right = [one for one in seen if one.tower == "right"]
    width = bay.towers[0].camera.width
    for a, b in zip(left, right, strict=True):
        assert b.centre_px[0] == pytest.approx(width - 1 - a.centre_px[0], abs=1e-6)
        assert b.centre_px[1] == pytest.approx(a.centre_px[1], abs=1e-6)
        assert b.prediction.toe == pytest.approx(a.prediction.toe, rel=1e-6)
        assert b.prediction.camber == pytest.approx(a.prediction.camber, rel=1e-6)


def test_a_target_behind_the_camera_has_no_image_and_no_room(bay):
    tower = bay.towers[0]
    eye = tower.T_bay_camera
    behind = eye @ np.array([0.0, 0.3, -3.0])
    target = wheels_of_tower(bay, tower)[0].T_bay_target.rotation
    projections = project_plates(
        tower.camera,
        (eye.rotation[None], eye.translation[None]),
        (target[None, None], behind[None, None]),
        bay.target.drawing.outline,
        corner_points(bay.target),
    )
    assert not projections.imaged[0, 0]
    assert projections.depth[0, 0] == pytest.approx(-3.0)


def test_a_rotation_about_the_axle_counts_neither_as_toe_nor_as_camber(bay):
    one = sightings(bay, Predictor("corner", SIGMA_PX), visible=False)[0]
    tower = tower_of(bay, one)
    about_y = one.wheel.T_bay_target.rotation.T @ np.array([0.0, 1.0, 0.0])
    covariance = np.zeros((6, 6))
    covariance[:3, :3] = np.outer(about_y, about_y)
    toe, camber, _, _ = in_bay(covariance, tower.T_bay_camera, one.T_camera_target)
    assert toe == pytest.approx(0.0, abs=1e-7)  # the root of rounding at 1e-16
    assert camber == pytest.approx(0.0, abs=1e-7)
