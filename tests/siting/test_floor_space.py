"""Room that towers leave to walls, vehicles and obstacles, by hand."""

from dataclasses import replace

import numpy as np
import pytest

from bench.imaging.optics import Optics, aperture_at
from bench.scene.load import load_bay
from bench.scene.surroundings import Box, Column, Post, Room, Surroundings
from bench.sighting.prediction import Predictor
from bench.sighting.sighting import sightings
from bench.siting.constraints import MOST_DEFOCUS_PX, constraints_of, defocus_px
from bench.siting.floor_space import floor_space


@pytest.fixture(scope="module")
def bay():
    bay = load_bay()
    surroundings = Surroundings(
        room=Room(ahead=4.0, behind=12.0, left=3.0, right=2.5, height=3.0),
        obstacles=(
            Box("bench", centre=(0.1, 2.5), size=(1.0, 0.4, 0.9)),
            Post("post", centre=(-1.0, 1.5), radius=0.1, height=3.0),
        ),
        column=Column(base_across=0.4, base_along=0.6, reach=0.1),
        drive_through=0.3,
    )
    return replace(bay, surroundings=surroundings)


def at(bay, offset, forward=0.0, height=1.0, further=0.0):
    values = (np.array([v]) for v in (offset, forward, height, further))
    return {name: float(v[0]) for name, v in floor_space(bay, *values).items()}


def test_walls_and_ceiling(bay):
    room = at(bay, 1.5)
    assert room["wall ahead"] == pytest.approx(4.0 - 0.1 - 0.3)
    assert room["side wall"] == pytest.approx(3.0 - 1.5 - 0.2)
    assert at(bay, -1.5)["side wall"] == pytest.approx(2.5 - 1.5 - 0.2)
    assert at(bay, 1.5, height=1.8)["ceiling"] == pytest.approx(1.2)
    tail = max(
        s.standoff + v.wheelbase + v.body.rear_overhang for s in bay.stations for v in bay.vehicles
    )
    assert at(bay, 1.5, further=0.5)["wall behind the vehicle"] == pytest.approx(12.0 - tail - 0.5)


def test_a_vehicle_is_driven_through_between_the_bases(bay):
    widest = max(v.width for v in bay.vehicles)
    expected = 1.5 - 0.2 - widest / 2 - 0.3
    assert at(bay, 1.5)["drive-through width"] == pytest.approx(expected)


def test_a_vehicle_may_stand_before_a_tower_or_between_both(bay):
    widest = max(v.width for v in bay.vehicles)
    near = min(s.standoff for s in bay.stations)
    nose = -near + max(v.body.front_overhang for v in bay.vehicles)
    # before: the base begins 0.1 - 0.3 m before the tower line
    assert at(bay, 0.3)["clear of the vehicle"] == pytest.approx(-0.2 - nose)
    # between: farther apart than the body is wide, the nose may come as near as it likes
    assert at(bay, 2.0, further=-2.3)["clear of the vehicle"] == pytest.approx(1.8 - widest / 2)


def test_obstacles_keep_clear_of_half_the_base(bay):
    # base's middle at (0.1, 1.5), the bench's side at y = 2.3, half the base's longer side 0.3
    assert at(bay, 1.5)["clear of bench"] == pytest.approx(0.8 - 0.3)
    assert at(bay, 1.5)["clear of post"] == pytest.approx(1.1 - 0.1 - 0.3)
    assert at(bay, 2.5)["clear of bench"] < -0.3  # inside it


def test_a_turned_box_is_measured_in_its_own_axes(bay):
    turned = Box("bench", centre=(0.1, 2.5), size=(1.0, 0.4, 0.9), yaw=np.pi / 2)
    turned_bay = replace(bay, surroundings=replace(bay.surroundings, obstacles=(turned,)))
    assert at(turned_bay, 1.5)["clear of bench"] == pytest.approx(0.5 - 0.3)


def test_defocus_is_that_of_the_image_model(bay):
    camera = bay.towers[0].camera
    optics = Optics(f_number=4.0, focus_distance=5.0)
    for depth in (2.0, 5.0, 9.0):
        expected = aperture_at(optics, camera, depth).blur_px
        assert float(defocus_px(camera, optics, depth)) == pytest.approx(expected, abs=1e-12)
    assert float(defocus_px(camera, Optics(), 2.0)) == 0.0


def test_a_target_out_of_focus_breaks_a_constraint(bay):
    tower = bay.towers[0]
    optics = Optics(f_number=1.4, focus_distance=20.0)
    blurred = replace(tower, imaging=replace(tower.imaging, optics=optics))
    bad = replace(bay, towers=(blurred, *bay.towers[1:]))
    seen = sightings(bad, Predictor("corner"), visible=False)
    focus = [c for c in constraints_of(bad, seen) if c.name == "focus"]
    assert len(focus) == sum(one.tower == tower.name for one in seen)
    assert any(not c.holds and c.value > MOST_DEFOCUS_PX for c in focus)


def test_a_broken_constraint_says_by_how_much(bay):
    seen = sightings(bay, Predictor("corner"), visible=False)
    wide = replace(bay, siting=replace(bay.siting, margin=9.0))
    worst = min(constraints_of(wide, seen), key=lambda c: c.slack / c.scale)
    assert worst.name == "margin"
    assert "limit 9.00 plate widths, lacks" in worst.words()
