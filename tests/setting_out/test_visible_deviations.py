"""Deviations cut to where targets stay visible, with a post put in the way."""

import math
from dataclasses import replace

import pytest

from bench.scene.load import load_bay
from bench.scene.model import wheels_of_tower
from bench.scene.surroundings import Post, Surroundings
from bench.setting_out.corrections import advise
from bench.setting_out.deviations import Allowance, Allowances
from bench.setting_out.slack import ALL, Knob, limits_of
from bench.setting_out.visible_deviations import deviated, hidden_targets, with_visibility
from bench.sighting.prediction import Predictor

SHIPPED = load_bay()
# nothing else in the way: no walls, lamps or obstacles, and one low, short vehicle
VEHICLE = SHIPPED.vehicles[0]
OPEN = replace(SHIPPED, surroundings=Surroundings(column=SHIPPED.surroundings.column))


def with_post(bay, clearance):
    """A post whose edge is `clearance` metres outward of the left tower's line to the far wheel.

    Measured at its middle, across the bay, half way to the target.
    """
    tower = bay.towers[0]
    wheel = max(wheels_of_tower(bay, tower), key=lambda w: -w.centre[0])
    eye, target = tower.T_bay_camera.translation, wheel.T_bay_target.translation
    middle = 0.5 * (eye + target)
    radius = 0.05
    y = float(middle[1]) + 0.5 * bay.target.drawing.width + clearance + radius
    post = Post("post", (float(middle[0]), y), radius, 3.0)
    return replace(bay, surroundings=replace(bay.surroundings, obstacles=(post,)))


def one(knob, amount):
    return Allowances((Allowance(knob, amount, amount, "margin (x)", "margin (x)"),), ())


def test_an_allowance_is_cut_where_a_post_comes_into_the_way():
    bay = with_post(OPEN, 0.03)
    assert hidden_targets(bay, bay) == []
    found = with_visibility(bay, one(Knob("left", "offset"), 0.4)).each[0]
    # half way, the line of sight moves outward by half of what the tower does, and the plate's
    # outer edge is half as far from the line: 0.03 and 0.065 m to go at least, 0.19 at most
    assert 0.03 < found.plus < 0.4
    assert found.breaks_plus.startswith("visible (left tower, ")
    assert (found.minus, found.breaks_minus) == (0.4, "margin (x)")
    inside = deviated(bay, {found.knob: 0.98 * found.plus})
    outside = deviated(bay, {found.knob: 1.02 * found.plus})
    assert hidden_targets(bay, inside) == []
    assert hidden_targets(bay, outside) != []


def test_aim_does_not_hide():
    bay = with_post(OPEN, 0.0)
    given = one(Knob("left", "yaw"), math.radians(5.0))
    assert with_visibility(bay, given).each == given.each


def test_what_the_plan_hides_is_named():
    bay = with_post(OPEN, -0.2)
    found = with_visibility(bay, one(Knob("right", "height"), 0.1))
    assert found.broken
    assert all(words.startswith("visible (left tower, ") for words in found.broken)


def test_a_deviated_bay_has_its_vehicles_farther_off():
    bay = deviated(OPEN, {Knob(ALL, "standoff"): 0.1})
    assert bay.standoff == pytest.approx(OPEN.standoff + 0.1)
    assert bay.towers[0].placement.offset == pytest.approx(OPEN.towers[0].placement.offset)


@pytest.mark.slow
def test_corrections_of_a_bay_that_hides_targets_move_its_towers():
    loose = replace(OPEN, tolerance=replace(OPEN.tolerance, toe=0.1, camber=0.1))
    plan = with_post(loose, 0.03)
    built = deviated(plan, {Knob("left", "offset"): 0.25})
    assert hidden_targets(plan, built)
    limits, before = limits_of(built, Predictor()), limits_of(plan, Predictor())

    def hides(moves):
        return bool(hidden_targets(plan, deviated(built, moves)))

    advice = advise(limits, before, hides)
    assert advice.singles
    for found in advice.singles:
        assert found.knob.name in ("offset", "forward", "height", "standoff")
        assert not hides({found.knob: found.least})
    back = next(c for c in advice.singles if c.knob == Knob("left", "offset"))
    assert -0.25 <= back.least < 0.0
