"""What a bay's own imperfections do to a pose: first order against the thing itself."""

from dataclasses import replace

import numpy as np
import pytest

from bench.built.draws import OneBay, Sizes, draw_bay
from bench.built.picture import own_face
from bench.built.response import (
    common_turn,
    own_covariance,
    parts_of,
    responses,
    size_of_causes,
)
from bench.built.sizes import sizes_of
from bench.detect.detection import Detection, Found
from bench.geometry.camera import project
from bench.geometry.rotation import log_rotation
from bench.geometry.viewing import View, pose_of_view
from bench.scene.load import load_bay
from bench.scene.model import wheels_of_tower
from bench.solve.points import planar_points
from bench.solve.refine import refine
from bench.targets.bend import bend_modes
from bench.targets.design import build_target
from bench.targets.fill import Plate, design_on_plate

BAY = load_bay()
TOWER = BAY.towers[0]
SIZES = sizes_of(BAY, TOWER)
CAMERA = TOWER.camera
PLATE = Plate.of(BAY.target)
TARGETS = {
    "marker": BAY.target,
    "charuco": build_target(design_on_plate("charuco:4x4_50:5x5", PLATE)),
    "grid": build_target(design_on_plate("grid:36h11:2x2", PLATE)),
}
CAUSES = {
    "camera": ("camera",),
    "print": ("scale", "aspect"),
    "plate": ("plate",),
    "ink": ("ink",),
    "all": ("camera", "scale", "aspect", "plate", "ink"),
}


def only(bay: OneBay, kept: tuple[str, ...], times: float = 1.0) -> OneBay:
    """Return a bay with some of its own causes, so many times as large, and without the others."""
    return replace(
        bay,
        **{name: getattr(bay, name) * (times if name in kept else 0.0) for name in CAUSES["all"]},
    )


def seen(bay: OneBay, target, pose):
    """Return the pixels of a bay's own plate's points through its own camera, exactly."""
    if len(target.points):
        points, inks = target.points, np.zeros_like(target.points)
    else:
        corners = np.stack(list(target.markers.values()))
        # ink lets a black square grow to all sides
        inks = np.sign(corners - corners.mean(axis=1, keepdims=True)).reshape(-1, 2)
        points = corners.reshape(-1, 2)
    stretch = (1.0 + bay.scale - 0.5 * bay.aspect, 1.0 + bay.scale + 0.5 * bay.aspect)
    xy = points * stretch + bay.ink * inks
    z = bend_modes(xy, target.drawing.width, target.drawing.height) @ bay.plate
    own = bay.camera_of(CAMERA, SIZES.modes)
    return points, project(np.column_stack((xy, z)), pose, own)


def error_of(bay: OneBay, target, pose):
    """Return (ω, τ) of the pose that points give with the nominal camera and drawing."""
    points, pixels = seen(bay, target, pose)
    flat = np.column_stack((points, np.zeros(len(points))))
    found = planar_points(Detection(Found.FOUND, pixels, flat), CAMERA)
    fit = refine(pose.rotation, pose.translation, found, CAMERA)
    return np.concatenate(
        (log_rotation(pose.rotation.T @ fit.rotation), fit.translation - pose.translation)
    )


@pytest.mark.parametrize("kind", TARGETS)
@pytest.mark.parametrize("cause", CAUSES)
@pytest.mark.parametrize(
    "view",
    [
        View(range_m=2.6, turn=np.radians(35.0), pitch=0.0, roll=0.1, pixel=(1340.0, 660.0)),
        View(range_m=8.6, turn=np.radians(-40.0), pitch=0.2, roll=0.0, pixel=(1770.0, 330.0)),
    ],
    ids=["near", "far"],
)
def test_bay_by_bay_the_error_is_the_response(kind, cause, view):
    target, pose = TARGETS[kind], pose_of_view(view, CAMERA)
    response = responses(target, pose, CAMERA, SIZES.modes)
    for k in range(4):
        bay = only(draw_bay(SIZES, 1, f"left {k}"), CAUSES[cause])
        error, predicted = error_of(bay, target, pose), response @ bay.causes
        # of an error e(x) = r x + q x² + ..., e(2x) - 2 e(x) is 2 q x²: its half is what first
        # order leaves out
        second = 0.5 * (error_of(only(bay, CAUSES[cause], 2.0), target, pose) - 2.0 * error)
        for part in (slice(0, 3), slice(3, 6)):
            off = np.linalg.norm(error[part] - predicted[part])
            size = np.linalg.norm(predicted[part])
            # the last term is the solver's own stop, 1e-10 of a radian or metre
            assert off <= 0.05 * size + 2.0 * np.linalg.norm(second[part]) + 1e-10, (k, part)


def test_common_and_own_parts_make_up_the_response():
    pose = pose_of_view(
        View(range_m=5.0, turn=0.6, pitch=0.0, roll=0.0, pixel=(1500.0, 500.0)), CAMERA
    )
    response = responses(BAY.target, pose, CAMERA, SIZES.modes)
    bay = draw_bay(SIZES, 3, "left 7")
    common, own = parts_of(response, bay, SIZES, pose)
    assert common + own == pytest.approx(response[:3] @ bay.causes, abs=1e-15)


def test_the_common_part_is_one_turn_of_the_camera_wherever_the_target_stands():
    bay = draw_bay(SIZES, 3, "left 7")
    T_camera_bay = TOWER.T_bay_camera.inverse()
    turns = []
    for wheel in wheels_of_tower(BAY, TOWER):
        pose = T_camera_bay @ wheel.T_bay_target
        response = responses(BAY.target, pose, CAMERA, SIZES.modes)
        turns.append(pose.rotation @ parts_of(response, bay, SIZES, pose)[0])
    assert np.ptp(turns, axis=0) == pytest.approx(np.zeros(3), abs=1e-12)


def test_a_principal_point_that_is_off_turns_the_frame_by_its_angle():
    # a camera whose principal point is off by d sees everything turned by d / f, to first order
    # in the field's angle: what distortion and an off-axis place add is below a tenth here
    turn = common_turn(
        BAY.target,
        [
            pose_of_view(
                View(range_m=4.0, turn=0.5, pitch=0.0, roll=0.0, pixel=(1223.5, 1023.5)), CAMERA
            )
        ],
        CAMERA,
        SIZES.modes,
    )
    d = BAY.budget.principal_point
    assert abs(turn[1, 2]) == pytest.approx(d / CAMERA.fx, rel=0.1)
    assert abs(turn[0, 3]) == pytest.approx(d / CAMERA.fy, rel=0.1)


def test_registration_leaves_less_than_the_whole_of_a_camera():
    # the map's first sentence about the bay: most of a camera's error is common to its wheels
    T_camera_bay = TOWER.T_bay_camera.inverse()
    whole = own = 0.0
    K = SIZES.modes.shape[1]
    for wheel in wheels_of_tower(BAY, TOWER):
        pose = T_camera_bay @ wheel.T_bay_target
        response = responses(BAY.target, pose, CAMERA, SIZES.modes)[:3, :K]
        whole += np.sum(response**2)
        own += np.sum((pose.rotation @ response - SIZES.common) ** 2)
    assert own < 0.5 * whole


def test_what_bays_have_is_the_spread_of_their_responses():
    pose = pose_of_view(
        View(range_m=4.0, turn=0.6, pitch=0.1, roll=0.2, pixel=(900.0, 700.0)), CAMERA
    )
    response = responses(BAY.target, pose, CAMERA, SIZES.modes)
    n = 1000
    errors = np.array([response @ draw_bay(SIZES, 1, f"left {k}").causes for k in range(n)])
    found, said = np.std(errors, axis=0), np.sqrt(np.diag(own_covariance(response, SIZES)))
    # a standard deviation from n draws scatters by 1/sqrt(2n) or less here: five of those
    assert found == pytest.approx(said, rel=5.0 / np.sqrt(2 * n))
    assert len(size_of_causes(SIZES)) == response.shape[1]


def test_one_bay_alone_has_its_own_error_not_a_spread():
    pose = pose_of_view(View(range_m=4.0, turn=0.6, pitch=0.1, roll=0.2), CAMERA)
    response = responses(BAY.target, pose, CAMERA, SIZES.modes)
    one = draw_bay(SIZES, 1, "left 5")
    covariance = own_covariance(response, replace(SIZES, one=one))
    assert np.sqrt(np.diag(covariance)) == pytest.approx(np.abs(response @ one.causes))


def test_no_sizes_are_no_causes():
    bay = draw_bay(Sizes(np.zeros((9, 0))), 1, "left 0")
    assert not np.any(bay.causes)
    assert own_face(BAY.target.drawing, bay) is BAY.target.drawing
