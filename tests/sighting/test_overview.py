"""The bay from above and in perspective: what cameras cover, and where one looks from."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.draw import style
from bench.geometry.camera import Camera, project_camera
from bench.imaging.picture import Picture
from bench.scene.load import load_bay
from bench.scene.model import Placement, Tower
from bench.scene.solids import bay_solids
from bench.sighting.camera_view import camera_view_figure
from bench.sighting.overview import cover, plan_figure
from bench.sighting.overview_perspective import (
    frustum,
    look_at,
    onlooker,
    perspective_figure,
    seen_from,
    softened,
)
from bench.sighting.view_table import view_table, views


@pytest.fixture(scope="module")
def bay():
    return load_bay(None)


@pytest.fixture(scope="module")
def seen(bay):
    return views(bay, [bay.vehicles[0].name], [bay.stations[0].name])


# A camera of round numbers: half its picture is as wide as its focal length.
CAMERA = Camera(1000, 500, 500.0, 500.0, 499.5, 249.5)


def tower(bay, **placement):
    return Tower("t", Placement(**placement), CAMERA, bay.towers[0].imaging)


def test_a_level_camera_covers_the_floor_from_where_its_lowest_ray_meets_it(bay):
    outline = cover(tower(bay, offset=0.0, height=1.0), 0.0, 50.0)
    # its lower edge runs down 1 in 2: the floor comes into view 2 m ahead, 2 m to either side
    near = outline[np.isclose(outline[:, 0], -2.0)]
    assert_allclose([near[:, 1].min(), near[:, 1].max()], [-2.0, 2.0], atol=1e-9)
    assert outline[:, 0].max() == pytest.approx(-2.0)
    # beyond the horizon it ends at the given reach
    assert np.max(np.linalg.norm(outline, axis=1)) == pytest.approx(50.0)


def test_a_frustum_ends_at_the_pictures_corners(bay):
    corners = frustum(tower(bay, offset=1.0, height=1.0), 4.0)
    assert_allclose(corners[0], [0.0, 1.0, 1.0])
    # the camera's right is the vehicle's left
    assert_allclose(corners[1:], [[-4, -3, 3], [-4, 5, 3], [-4, 5, -1], [-4, -3, -1]], atol=1e-12)


def test_an_onlooker_looks_at_a_point_and_stands_upright():
    pose = look_at(np.array([3.0, -4.0, 2.0]), np.zeros(3))
    ahead = pose.inverse() @ np.zeros(3)
    assert_allclose(ahead, [0.0, 0.0, np.sqrt(29.0)], atol=1e-12)
    above = pose.inverse() @ np.array([0.0, 0.0, 0.1])
    assert above[0] == pytest.approx(0.0, abs=1e-12)
    assert above[1] < 0.0


@pytest.mark.parametrize("index", [0, 1, 2])
def test_the_onlooker_has_towers_and_targets_in_the_picture(bay, index):
    vehicle, station = bay.vehicles[index], bay.stations[-1]
    eye, camera = onlooker(bay, vehicle, station)
    points = [t.T_bay_camera.translation for t in bay.towers]
    points += [
        one.wheel.T_bay_target.translation for one in views(bay, [vehicle.name], [station.name])
    ]
    assert camera.contains(project_camera(eye.inverse() @ np.array(points), camera), 20.0)


def test_the_whole_floor_is_in_the_picture_before_its_far_walls(bay):
    vehicle, station = bay.vehicles[0], bay.stations[0]
    eye, camera = onlooker(bay, vehicle, station)
    solids = bay_solids(bay, vehicle, station)
    shown = seen_from(solids, eye.translation)
    assert [s.name for s in shown if s.kind == "wall"] == ["wall behind", "left wall"]
    for solid in shown:
        if solid.kind in ("floor", "wall"):
            # a wall's and the floor's own thickness lies beyond the 25 pixels kept free
            assert camera.contains(project_camera(eye.inverse() @ solid.vertices, camera), 5.0)


def test_light_too_bright_for_a_screen_keeps_its_shape():
    light = np.linspace(0.0, 3.0, 31)
    soft = softened(light)
    assert_allclose(soft[:4], light[:4])  # a white target at 0.6 times its reflectance and below
    assert np.all(np.diff(soft) > 0.0)
    assert soft[-1] < 1.0


def texts(figure):
    axes = [text.get_text() for ax in figure.axes for text in ax.texts]
    return "\n".join([text.get_text() for text in figure.texts] + axes)


def test_every_picture_names_targets_and_says_how_much_is_seen(bay, seen):
    vehicle, station = bay.vehicles[0], bay.stations[0]
    eye, camera = onlooker(bay, vehicle, station)
    blank = np.full((camera.height, camera.width, 3), 0.5)
    size = (bay.towers[0].camera.height, bay.towers[0].camera.width)
    grey = Picture(np.zeros(size, dtype=np.uint8))
    left = [one for one in seen if one.tower.name == "left"]
    with style.applied():
        figures = [
            plan_figure(bay, vehicle, station, seen, "note"),
            perspective_figure(
                bay, seen, bay_solids(bay, vehicle, station), blank, (eye, camera), "t", "note"
            ),
            camera_view_figure(grey, left, "t", "note"),
        ]
    for figure in figures:
        words = texts(figure)
        for one in left:
            assert one.wheel.name in words
        assert "100 %" in words
        assert "note" in words


def test_a_hidden_target_is_told_in_words(bay, seen):
    left = [one for one in seen if one.tower.name == "left"]
    hidden = replace(left[0].visibility, fraction=0.4, hidden_by=(("post 1", 0.6),))
    size = (bay.towers[0].camera.height, bay.towers[0].camera.width)
    grey = Picture(np.zeros(size, dtype=np.uint8))
    with style.applied():
        figure = camera_view_figure(grey, [replace(left[0], visibility=hidden)], "t", "note")
    words = texts(figure)
    assert "post 1 hides 60 %" in words
    assert "1 of 1 targets" in words


def test_table_has_a_row_for_each_target_of_a_towers_side(seen):
    table = view_table(seen)
    assert table["wheel"].to_list() == ["front left", "rear left", "front right", "rear right"]
    assert table["visible"].min() == 1.0
    assert table["range_m"].is_between(1.0, 12.0).all()
