"""Mounts, families, stations, surroundings and the siting space of a bay file, read by hand."""

import math

import numpy as np
import pytest
import trimesh
from numpy.testing import assert_allclose

from bench.errors import ConfigError
from bench.scene.cables import routes
from bench.scene.load import load_bay
from bench.scene.mesh_file import inside_mesh, mesh_in_bay
from bench.scene.model import wheels
from bench.scene.surroundings import Box, MeshObject, ParkedVehicle, Post
from bench.scene.vehicle import Mount

FOOT = 0.3048
DEGREE = math.radians(1.0)
VEHICLE_PART = (
    '[[vehicle]]\nname = "cart"\n\n[[vehicle.axle]]\nname = "front"\nbehind = "0 m"\n'
    'track = "1.6 m"\nwheel_height = "0.4 m"\n\n[[vehicle.axle]]\nname = "rear"\n'
    'behind = "4 m"\ntrack = "1.6 m"\nwheel_height = "0.4 m"\n'
)


def test_a_bay_that_says_nothing_of_them_has_the_defaults(bay_file):
    bay = load_bay(bay_file())
    (vehicle,) = bay.vehicles
    assert [axle.mount for axle in vehicle.axles] == [Mount(), Mount()]
    # flush with the tyres: 1.6 m and a tyre of 0.2 m
    assert vehicle.body.width == pytest.approx(1.8)
    assert [(s.name, s.standoff, s.lift) for s in bay.stations] == [("floor", 3.0, 0.0)]
    assert bay.surroundings.room is None
    assert bay.siting.lenses == ()
    tolerance = bay.tolerance
    angles = (tolerance.toe, tolerance.camber, tolerance.thrust)
    assert angles == pytest.approx((0.05 * DEGREE, 0.1 * DEGREE, 0.05 * DEGREE))


def test_the_bays_mount_serves_all_axles_and_one_of_an_axle_overrides_single_keys(bay_file):
    mount = '[mount]\noutboard = "0.3 m"\nforward = "2 cm"\nturn = "20 deg"\n'
    mount += 'turn_presets = "0, 20, 40 deg"\n'
    own = 'name = "rear"\nmount = { turn = "40 deg", up = "1 in" }'
    front, rear = load_bay(bay_file(('name = "rear"', own), extra=mount)).vehicles[0].axles
    assert front.mount.turn == pytest.approx(20 * DEGREE)
    assert (front.mount.outboard, front.mount.forward, front.mount.up) == (0.3, 0.02, 0.0)
    assert rear.mount.turn == pytest.approx(40 * DEGREE)
    assert (rear.mount.outboard, rear.mount.up) == pytest.approx((0.3, 0.0254))
    assert rear.mount.turn_presets == front.mount.turn_presets
    assert len(front.mount.turn_presets) == 3
    assert front.mount.pitch_presets == (0.0,)


def test_a_turn_without_presets_is_the_only_one(bay_file):
    mount = load_bay(bay_file(extra='[mount]\nturn = "20 deg"\n')).vehicles[0].axles[0].mount
    assert mount.turn_presets == (mount.turn,)
    extra = '[mount]\npitch_presets = "5, 15 deg"\n'
    mount = load_bay(bay_file(extra=extra)).vehicles[0].axles[0].mount
    assert mount.pitch == pytest.approx(5 * DEGREE)  # 0 deg can't be set; the first can


def test_a_holder_within_a_range_is_set_in_its_protractors_steps(bay_file):
    mount = '[mount]\nturn = "33 deg"\nturn_range = ["-2 deg", "40 deg"]\nangle_step = "10 deg"\n'
    own = 'name = "rear"\nmount = { pitch_range = ["-5 deg", "5 deg"] }'
    front, rear = load_bay(bay_file(('name = "rear"', own), extra=mount)).vehicles[0].axles
    # what is set stays among what can be set, even between two steps
    assert np.degrees(front.mount.turn_presets).round(9).tolist() == [0, 10, 20, 30, 33, 40]
    assert front.mount.turn in front.mount.turn_presets
    assert rear.mount.turn_presets == front.mount.turn_presets
    assert np.degrees(rear.mount.pitch_presets).round(9).tolist() == [-5, 0, 5]
    assert rear.mount.pitch == 0.0


def test_a_turned_target_faces_its_own_side_on_both_sides(bay_file):
    bay = load_bay(bay_file(extra='[mount]\nturn = "30 deg"\n'))
    left, right = (w.T_bay_target.rotation[:, 2] for w in wheels(bay)[:2])
    # toward the towers by cos 30, outward by sin 30
    assert_allclose(left, [math.sqrt(0.75), 0.5, 0.0], atol=1e-15)
    assert_allclose(right, [math.sqrt(0.75), -0.5, 0.0], atol=1e-15)


def test_a_family_becomes_every_combination_with_names_that_say_which(bay_file):
    family = (
        '[[vehicle_family]]\nname = "cars"\ntracks = "1.45, 1.75 m"\nwheelbases = "2.4, 3.1 m"\n'
        'tyre_radii = "0.3 m"\ntyre_width = "0.2 m"\nbody = { height = "5 ft" }\n'
    )
    bay = load_bay(bay_file((VEHICLE_PART, family)))
    assert [v.name for v in bay.vehicles] == [
        "cars, track 1.45 m, wheelbase 2.4 m",
        "cars, track 1.45 m, wheelbase 3.1 m",
        "cars, track 1.75 m, wheelbase 2.4 m",
        "cars, track 1.75 m, wheelbase 3.1 m",
    ]
    last = bay.vehicles[-1]
    assert (last.wheelbase, last.axles[0].track, last.axles[1].tyre_radius) == (3.1, 1.75, 0.3)
    assert last.body.height == pytest.approx(5 * FOOT)
    assert last.body.width == pytest.approx(1.95)


def test_stations_stand_at_the_bays_standoff_unless_they_say_otherwise(bay_file):
    stations = (
        '[[station]]\nname = "floor"\n'
        '[[station]]\nname = "lift"\nstandoff = "10 ft 6 in"\nlift = "2 ft"\n'
    )
    bay = load_bay(bay_file(extra=stations))
    assert [s.standoff for s in bay.stations] == pytest.approx([3.0, 10.5 * FOOT])
    high = next(w for w in wheels(bay) if w.station == "lift")
    assert_allclose(high.centre, [-10.5 * FOOT, 0.8, 0.4 + 2 * FOOT])


SURROUNDINGS = """
[room]
ahead = "13 ft"
behind = "12 m"
left = "4 m"
right = "5 m"
height = "4 m"

[[obstacle]]
kind = "box"
name = "bench"
centre = ["-1 m", "3 m"]
size = ["2 m", "500 mm", "0.9 m"]
yaw = "90 deg"

[[obstacle]]
kind = "post"
name = "post"
centre = ["-5 m", "2 m"]
radius = "6 in"
height = "3 m"

[[obstacle]]
kind = "mesh"
name = "lump"
file = "lump.stl"
scale = 0.001
position = ["1 m", "3 m", "0.25 m"]
yaw = "90 deg"

[[obstacle]]
kind = "vehicle"
name = "next door"
vehicle = "cart"
position = ["-3 m", "-3.5 m"]

[[lamp]]
name = "lamp"
position = ["-2 m", "0 m", "3.9 m"]

[column]
shaft = "100 mm"

[floor]
along = "2 mrad"

[siting]
spacing = ["10 ft", "15 ft"]
lenses = "8, 12, 16 mm"
visible = 0.9
"""


@pytest.fixture
def furnished(bay_file, tmp_path):
    """Return the file of a bay with one of everything."""
    trimesh.creation.box((1000.0, 500.0, 500.0)).export(tmp_path / "lump.stl")
    return bay_file(extra=SURROUNDINGS)


def test_surroundings_are_read(furnished):
    around = load_bay(furnished).surroundings
    assert around.room is not None
    assert around.room.ahead == pytest.approx(13 * FOOT)
    box, post, mesh, parked = around.obstacles
    assert box == Box("bench", (-1.0, 3.0), (2.0, 0.5, 0.9), 0.0, math.pi / 2)
    assert post == Post("post", (-5.0, 2.0), pytest.approx(0.1524), 3.0)
    assert isinstance(mesh, MeshObject)
    assert mesh.path == furnished.parent / "lump.stl"
    assert parked == ParkedVehicle("next door", "cart", (-3.0, -3.5))
    assert around.lamps[0].position == (-2.0, 0.0, 3.9)
    assert (around.column.shaft, around.column.base_across) == (0.1, 0.4)
    assert around.floor.along == pytest.approx(2e-3)
    siting = load_bay(furnished).siting
    assert siting.spacing == pytest.approx((3.048, 4.572))
    assert siting.lenses == pytest.approx((8e-3, 12e-3, 16e-3))
    assert (siting.visible, siting.margin) == (0.9, 1.0)


def test_a_mesh_is_scaled_turned_and_moved(furnished):
    mesh = load_bay(furnished).surroundings.obstacles[2]
    vertices, triangles = mesh_in_bay(mesh)
    # 1000 mm along x, turned to lie along y, about (1, 3), resting on the floor
    assert_allclose(vertices.min(axis=0), [0.75, 2.5, 0.0], atol=1e-9)
    assert_allclose(vertices.max(axis=0), [1.25, 3.5, 0.5], atol=1e-9)
    assert len(triangles) == 12
    points = np.array([[1.0, 3.0, 0.25], [1.24, 3.49, 0.49], [1.26, 3.0, 0.25], [1.0, 3.0, -0.1]])
    assert inside_mesh(points, vertices, triangles).tolist() == [True, True, False, False]


def test_a_point_in_the_hollow_of_a_mesh_is_outside_of_it():
    ring = trimesh.creation.annulus(r_min=1.0, r_max=2.0, height=1.0)
    points = np.array([[0.0, 0.0, 0.0], [1.5, 0.0, 0.0], [0.0, -1.5, 0.2], [2.5, 0.0, 0.0]])
    assert inside_mesh(points, ring.vertices, ring.faces).tolist() == [False, True, True, False]


def test_the_digest_knows_what_a_mesh_file_holds(furnished):
    before = load_bay(furnished).digest
    trimesh.creation.box((900.0, 500.0, 500.0)).export(furnished.parent / "lump.stl")
    assert load_bay(furnished).digest != before


def test_every_new_table_changes_the_digest_and_leaving_it_out_does_not(bay_file):
    plain = load_bay(bay_file()).digest
    for extra in (
        '[mount]\noutboard = "0.3 m"\n',
        '[[station]]\nname = "pit"\n',
        '[floor]\nalong = "1 mrad"\n',
        "[siting]\nmargin = 2.0\n",
    ):
        assert load_bay(bay_file(extra=extra)).digest != plain, extra
    # of the file without such tables, as it is since tolerances ask of each picture
    known = "9d3df7dda6ff624dcca73e21f9b8316e46a479028e51d753f50f6bfe3bcd4eb1"
    assert plain == known


def test_wheel_tolerances_are_their_own(bay_file):
    extra = 'toe = "3 arcmin"\nthrust = "0.2 deg"\n'
    tolerance = load_bay(bay_file(extra=extra)).tolerance
    assert tolerance.toe == pytest.approx(0.05 * DEGREE)
    assert tolerance.camber == pytest.approx(0.1 * DEGREE)
    assert tolerance.thrust == pytest.approx(0.2 * DEGREE)


def test_cables_are_read_and_drawn_as_given(bay_file):
    extra = '[[cable]]\nname = "to the desk"\npoints = [["1 m", "2 m"], ["1 m", "-3 m"]]\n'
    (route,) = routes(load_bay(bay_file(extra=extra)))
    assert (route.cable.name, route.length, route.given) == ("to the desk", 5.0, True)
    with pytest.raises(ConfigError, match=r"cable\.0\.points"):
        load_bay(bay_file(extra=extra.replace(', ["1 m", "-3 m"]', "")))
    with pytest.raises(ConfigError, match=r"cable\.0\.points.*unit"):
        load_bay(bay_file(extra=extra.replace('"-3 m"', '"-3"')))
