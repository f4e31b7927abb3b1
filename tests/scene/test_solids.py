"""Everything in a bay is a closed mesh, in its place."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.scene.load import load_bay
from bench.scene.mesh_file import inside_mesh
from bench.scene.solids import bay_solids, cylinder, vehicle_shape, vehicle_solids
from bench.scene.surroundings import ParkedVehicle


@pytest.fixture(scope="module")
def bay():
    return load_bay(None)


def volume(solid):
    a, b, c = (solid.vertices[solid.triangles[:, k]] for k in range(3))
    return np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0


def is_closed(solid):
    sides = Counter()
    for triangle in solid.triangles.tolist():
        for k in range(3):
            sides[triangle[k], triangle[(k + 1) % 3]] += 1
    return all(sides[b, a] == count == 1 for (a, b), count in sides.items())


@pytest.mark.parametrize("index", [0, 1, 2])
def test_every_solid_is_closed_and_faces_outward(bay, index):
    for solid in bay_solids(bay, bay.vehicles[index], bay.stations[-1]):
        assert is_closed(solid), (solid.name, solid.kind)
        assert volume(solid) > 0.0, (solid.name, solid.kind)


@pytest.mark.parametrize("index", [0, 1, 2])
def test_a_body_fills_its_measures(bay, index):
    vehicle = bay.vehicles[index]
    body = vehicle.body
    parts = [s.vertices for s in vehicle_shape(vehicle) if s.name == "body"]
    low, high = np.vstack(parts).min(axis=0), np.vstack(parts).max(axis=0)
    assert_allclose(high, [body.front_overhang, 0.5 * body.width, body.height], rtol=0, atol=1e-9)
    rear = -vehicle.wheelbase - body.rear_overhang
    assert_allclose(low, [rear, -0.5 * body.width, body.ground_clearance], rtol=0, atol=1e-9)


@pytest.mark.parametrize("index", [0, 1, 2])
def test_a_body_leaves_its_tyres_free(bay, index):
    shape = vehicle_shape(bay.vehicles[index])
    tyres = np.vstack([s.vertices for s in shape if s.kind == "tyre"])
    for solid in shape:
        if solid.name == "body":
            assert not np.any(inside_mesh(tyres, solid.vertices, solid.triangles))


def test_a_body_is_solid_between_its_wheels_and_over_them(bay):
    (paint,) = (s for s in vehicle_shape(bay.vehicles[0]) if s.kind == "paint")
    axle = bay.vehicles[0].axles[0]
    above = axle.wheel_height + axle.tyre_radius + 0.1
    points = np.array([[0.0, 0.0, 0.4], [-1.2, 0.7, 0.4], [0.0, 0.5 * axle.track, above]])
    assert np.all(inside_mesh(points, paint.vertices, paint.triangles))


def test_a_cylinder_holds_its_circle_closely():
    solid = cylinder("post", "post", 0.2, (0.0, 0.0, 0.0), (0.0, 0.0, 2.0))
    # a prism of 48 sides around a circle: its area is larger by tan(x)/x, x = π/48
    share = np.tan(np.pi / 48) / (np.pi / 48)
    assert volume(solid) == pytest.approx(np.pi * 0.04 * 2.0 * share, rel=1e-12)


def test_a_turned_vehicle_stands_where_it_is_put(bay):
    vehicle = bay.vehicles[0]
    parts = vehicle_solids(vehicle, (-3.0, 1.0), 0.2, np.pi / 2)
    (tyre,) = (s for s in parts if s.name == "front left tyre" and s.kind == "tyre")
    middle = 0.5 * (tyre.vertices.min(axis=0) + tyre.vertices.max(axis=0))
    # its left is now the bay's -x
    track, height = vehicle.axles[0].track, vehicle.axles[0].wheel_height
    assert_allclose(middle, [-3.0 - 0.5 * track, 1.0, 0.2 + height], atol=1e-9)


def test_a_parked_vehicle_goes_by_its_own_name(bay):
    parked = ParkedVehicle("parked van", "van", (-2.0, 3.0))
    room = replace(bay.surroundings, obstacles=(parked,), room=None)
    solids = bay_solids(replace(bay, surroundings=room), bay.vehicles[0], bay.stations[0])
    mine = [s for s in solids if s.name == "parked van"]
    assert {s.kind for s in mine} >= {"paint", "tyre", "rim"}
    assert not any(s.kind == "target" for s in mine)


def test_a_floor_without_walls_reaches_under_everything(bay):
    open_bay = replace(bay, surroundings=replace(bay.surroundings, room=None))
    solids = bay_solids(open_bay, bay.vehicles[-1], bay.stations[0])
    (floor,) = (s for s in solids if s.kind == "floor")
    rest = np.vstack([s.vertices[:, :2] for s in solids if s.kind != "floor"])
    assert np.all(rest.min(axis=0) > floor.vertices[:, :2].min(axis=0))
    assert np.all(rest.max(axis=0) < floor.vertices[:, :2].max(axis=0))
