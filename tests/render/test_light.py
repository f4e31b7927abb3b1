"""Light and shadows in a bay, and how surfaces are cut for it."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.render.light import ABOVE, EVEN, Light, light_up, subdivide
from bench.scene.solids import cuboid
from bench.scene.surroundings import Lamp

UP = np.array([[0.0, 0.0, 1.0]])
LAMP = Lamp("lamp", (0.0, 0.0, 4.0))


def on_floor(*places, solids=(), lamps=(LAMP,)):
    points = np.array([[x, y, 0.0] for x, y in places])
    return Light(lamps, solids).at(points, np.broadcast_to(UP, points.shape))


def test_under_the_only_lamp_is_one():
    assert_allclose(on_floor((0.0, 0.0)), 1.0, rtol=2e-3)  # raised by 2 mm of 4 m


def test_light_falls_by_the_fourth_power_of_the_cosine():
    # a point lamp at height h on a level floor: cos / d² = cos³ / h²; with even light beside it
    x = 3.0
    cosine = 4.0 / np.hypot(4.0, x)
    expected = (1.0 - EVEN) * cosine**3 + EVEN
    # the lamp is a patch of 1 m x 0.2 m: the second order of its length is (0.35 / 5)²
    assert_allclose(on_floor((0.0, x)), expected, rtol=0.01)


def test_a_box_casts_a_shadow_that_keeps_the_even_light():
    table = cuboid("table", "box", (-1.0, -1.0, 1.0), (1.0, 1.0, 1.1))
    assert_allclose(on_floor((0.0, 0.0), solids=(table,)), EVEN)
    assert on_floor((0.0, 3.0), solids=(table,)) == pytest.approx(on_floor((0.0, 3.0)))


def test_edges_of_shadows_are_soft():
    table = cuboid("table", "box", (-1.0, -1.0, 1.0), (1.0, 1.0, 1.1))
    # along the lamp's length the edge of the shadow is about 4/3 m out
    along = on_floor(*[(x, 0.0) for x in np.linspace(1.0, 1.7, 30)], solids=(table,))
    direct = (along - EVEN) / (1.0 - EVEN)
    assert np.count_nonzero((direct > 0.05) & (direct < 0.6)) > 5
    assert np.all(np.diff(along) > -0.01)


def test_without_lamps_light_is_even_and_a_little_more_from_above():
    light = Light((), ())
    normals = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])
    assert_allclose(light.at(np.zeros((3, 3)), normals), [1.0, 1.0 - 0.5 * ABOVE, 1.0 - ABOVE])


def area(triangles):
    sides = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    return 0.5 * np.linalg.norm(sides, axis=1).sum()


def test_cutting_keeps_the_surface_and_shortens_sides():
    box = cuboid("box", "box", (0.0, 0.0, 0.0), (3.0, 1.0, 0.5))
    whole = box.vertices[box.triangles]
    fine = subdivide(whole, 0.2)
    assert area(fine) == pytest.approx(area(whole), rel=1e-12)
    sides = np.linalg.norm(np.roll(fine, -1, axis=1) - fine, axis=2)
    assert sides.max() <= 0.2
    assert len(fine) < 60 * area(whole) / (0.5 * 0.2**2)


def test_lit_surfaces_are_whole_and_finer_where_a_shadow_ends():
    floor = cuboid("floor", "floor", (-3.0, -3.0, -0.1), (3.0, 3.0, 0.0))
    table = cuboid("table", "box", (-0.5, -0.5, 1.0), (0.5, 0.5, 1.1))
    lit = light_up((floor, table), Light((LAMP,), (floor, table)))
    expected = area(floor.vertices[floor.triangles]) + area(table.vertices[table.triangles])
    assert area(lit.triangles) == pytest.approx(expected, rel=1e-9)
    plain = light_up((floor, table), Light((), (floor, table)))
    assert len(lit.triangles) > len(plain.triangles)
    assert np.all(lit.colours >= 0.0)
    # left out of a picture, the table still shades the floor
    bare = lit.only(np.array([True, False]))
    assert area(bare.triangles) == pytest.approx(area(floor.vertices[floor.triangles]), rel=1e-9)
    assert np.array_equal(bare.colours, lit.colours[lit.solids == 0])
