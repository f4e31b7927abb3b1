"""How much of a plate is seen: similar triangles by hand, and what stands in a bay."""

from dataclasses import replace

import numpy as np
import pytest

from bench.geometry.pose import Pose
from bench.scene.load import load_bay
from bench.scene.solids import cuboid, cylinder
from bench.scene.surroundings import Box, ParkedVehicle, Post, Surroundings
from bench.scene.vehicle import R_BAY_SQUARE_TARGET, wheels_at
from bench.sighting.visibility import POINTS, plate_points, sight, visible_fraction

EYE = Pose(np.eye(3), np.zeros(3))
SIZE = (0.4, 0.2)
# 4 m off along -x, its face toward the eye; its right is the bay's y
PLATE = Pose(R_BAY_SQUARE_TARGET, np.array([-4.0, 0.0, 0.0]))
# An edge along a side of the plate lies between two of the evenly spaced points.
ALONG = 1.0 / POINTS


def seen(*solids, plate=PLATE, but=()):
    return visible_fraction(EYE, plate, SIZE, solids, but)


def test_a_plate_with_nothing_before_it_is_seen_whole():
    assert seen().fraction == 1.0
    assert seen(cuboid("beside", "box", (-3.0, 0.5, -1.0), (-2.0, 1.0, 1.0))).fraction == 1.0


def test_lattice_is_even_along_both_sides():
    points = plate_points(SIZE)
    for axis, length in ((0, 0.4), (1, 0.2)):
        gaps = np.diff(np.sort(points[:, axis]))
        np.testing.assert_allclose(gaps, length / POINTS, rtol=1e-9)


@pytest.mark.parametrize("reach", [-0.06, -0.03, 0.0, 0.021, 0.09])
def test_a_box_edge_hides_what_similar_triangles_say(reach):
    # a thin upright edge at y = reach, half way: its shadow on the plate ends at 2 reach
    box = cuboid("crate", "box", (-2.0001, -1.0, -1.0), (-2.0, reach, 1.0))
    found = seen(box)
    assert found.fraction == pytest.approx(0.5 - 2.0 * reach / 0.4, abs=ALONG)
    assert found.hidden_by == (("crate", pytest.approx(1.0 - found.fraction)),)


@pytest.mark.parametrize("distance", [1.0, 2.5, 3.9])
def test_a_low_wall_hides_the_lower_part(distance):
    top = -0.02
    wall = cuboid("wall", "wall", (-distance - 1e-4, -1.0, -1.0), (-distance, 1.0, top))
    shadow = top * 4.0 / distance  # height of its shadow's edge on the plate
    hidden = min(max((shadow + 0.1) / 0.2, 0.0), 1.0)
    assert seen(wall).fraction == pytest.approx(1.0 - hidden, abs=ALONG)


def test_a_post_hides_the_width_between_its_tangents():
    # tangents from the eye to a circle of radius r at distance d: tan(asin(r / d)) each side
    post = cylinder("post", "post", 0.03, (-2.0, 0.0, -1.0), (-2.0, 0.0, 1.0))
    width = 2.0 * 4.0 * np.tan(np.arcsin(0.03 / 2.0)) / 0.4
    # the prism around it reaches out by up to 0.22 % of the radius
    assert 1.0 - seen(post).fraction == pytest.approx(width, abs=2 * ALONG + 0.0022 * width)


def test_a_slanted_edge_hides_half():
    # a plate's diagonal: the lattice's discrepancy, not its spacing, bounds the error
    points = plate_points(SIZE)[:, :2]
    assert np.mean(points[:, 1] < points[:, 0] * 0.5) == pytest.approx(0.5, abs=0.005)


def test_what_is_nearest_to_the_camera_gets_the_blame():
    near = cuboid("near", "box", (-1.1, -1.0, -1.0), (-1.0, 0.0, 1.0))
    far = cuboid("far", "box", (-3.1, -1.0, -1.0), (-3.0, 0.075, 1.0))
    found = seen(far, near)
    # far's edge casts its shadow at 0.1, near's at 0
    assert dict(found.hidden_by) == pytest.approx({"near": 0.5, "far": 0.25}, abs=2 * ALONG)
    assert found.fraction + sum(part for _, part in found.hidden_by) == pytest.approx(1.0)


def test_what_is_behind_the_plate_hides_nothing():
    behind = cuboid("behind", "box", (-6.0, -1.0, -1.0), (-4.001, 1.0, 1.0))
    assert seen(behind).fraction == 1.0


def test_a_plate_that_looks_away_is_not_seen():
    away = Pose(np.diag([-1.0, -1.0, 1.0]) @ R_BAY_SQUARE_TARGET, PLATE.translation)
    assert seen(plate=away).fraction == 0.0
    assert seen(plate=away).hidden_by[0][0] == "its own back"


def test_named_solids_can_be_left_out():
    box = cuboid("own", "box", (-2.1, -1.0, -1.0), (-2.0, 1.0, 1.0))
    assert seen(box).fraction == 0.0
    assert seen(box, but=("own",)).fraction == 1.0


def empty_bay(*obstacles):
    bay = load_bay(None)
    return replace(bay, surroundings=Surroundings(obstacles=obstacles))


def between(bay, wheel, share, aside=0.0):
    """Return the place on the way from the left tower to a wheel's target."""
    eye = bay.towers[0].T_bay_camera.translation
    x, y, _ = eye + share * (wheel.T_bay_target.translation - eye)
    return (float(x), float(y) + aside)


def left_wheels(bay, vehicle=0):
    return wheels_at(bay.vehicles[vehicle], bay.stations[0])[::2]


def test_a_post_of_the_bay_hides_a_rear_target_and_is_named():
    bay = empty_bay()
    front, rear = left_wheels(bay)
    assert sight(bay, bay.towers[0], rear).fraction == 1.0
    behind_front = between(bay, rear, 0.7)
    bay = empty_bay(Post("post 1", behind_front, 0.5, 3.0))
    assert sight(bay, bay.towers[0], rear).fraction == 0.0
    assert sight(bay, bay.towers[0], rear).hidden_by == (("post 1", 1.0),)
    assert sight(bay, bay.towers[0], front).fraction == 1.0


def test_a_parked_vehicle_is_named_as_a_whole():
    bay = empty_bay()
    front, _ = left_wheels(bay)
    x, y = between(bay, front, 0.5)
    bay = empty_bay(ParkedVehicle("parked van", "van", (x + 0.5, y)))
    found = sight(bay, bay.towers[0], front)
    assert found.fraction < 0.2
    assert found.hidden_by[0][0] == "parked van"


def test_the_other_towers_column_hides_what_is_behind_it():
    bay = empty_bay()
    front, _ = left_wheels(bay)
    left, right = bay.towers
    x, y = between(bay, front, 0.5)
    forward = replace(right.placement, forward=x, offset=y, height=2.0)
    bay = replace(bay, towers=(left, replace(right, placement=forward)))
    found = sight(bay, bay.towers[0], front)
    assert found.fraction < 0.8
    assert found.hidden_by[0][0] == "right tower"


def test_the_vehicles_own_body_and_tyres_hide_targets_of_the_other_side():
    bay = empty_bay()
    right_front, right_rear = wheels_at(bay.vehicles[0], bay.stations[0])[1::2]
    left = bay.towers[0]
    # the left tower looks across the bonnet's underside at the right rear wheel
    found = sight(bay, left, right_rear)
    assert found.fraction < 0.5
    names = {name for name, _ in found.hidden_by}
    assert names <= {
        "body",
        *(f"{w} {s} tyre" for w in ("front", "rear") for s in ("left", "right")),
        "front right target",
    }
    assert "body" in names
    assert right_front.name == "front right"


def test_a_box_on_the_floor_hides_the_same_in_a_bay_as_by_hand():
    bay = empty_bay()
    front, _ = left_wheels(bay)
    eye = bay.towers[0].T_bay_camera.translation
    pose = front.T_bay_target
    # square to the bay, so that a wall across the bay casts a level shadow
    wheel = replace(front, mount=replace(front.mount, turn=0.0, pitch=0.0))
    pose = wheel.T_bay_target
    height = bay.target.drawing.height
    middle = 0.5 * (eye[0] + pose.translation[0])
    top = 0.5 * (eye[2] + pose.translation[2])  # half way: its shadow ends at the centre
    bay = empty_bay(Box("low wall", (middle, eye[1]), (1e-4, 3.0, top)))
    found = sight(bay, bay.towers[0], wheel)
    # the wall is 0.1 mm thick, 2.3 m long is the way: its shadow's edge moves 0.05 mm
    assert found.fraction == pytest.approx(0.5, abs=2 * ALONG + 1e-4 / height)
