"""How far towers may be off: against the exact constraints, by symmetry, and by known answers."""

import math
from dataclasses import replace

import numpy as np
import pytest

from bench.scene.load import load_bay
from bench.scene.model import wheels
from bench.setting_out.deviations import (
    SEARCH,
    Allowance,
    Allowances,
    allowances,
    rounded_down,
    rows,
)
from bench.setting_out.joint_deviations import _conclude, joint
from bench.setting_out.placements import placement_of, with_placements
from bench.setting_out.slack import ALL, Knob, inputs_of, knobs_of, limits_of, moved
from bench.sighting.prediction import Predictor
from bench.sighting.sighting import sightings
from bench.siting.constraints import sighting_constraints
from bench.survey.statistics import wilson_bounds

LOOSE = math.radians(2.0)  # so that the plan holds it everywhere and can be off
SHIPPED = load_bay()
BAY = replace(SHIPPED, tolerance=replace(SHIPPED.tolerance, toe=LOOSE, camber=LOOSE))
PREDICTOR = Predictor("corner", 0.1)


@pytest.fixture(scope="module")
def limits():
    return limits_of(BAY, PREDICTOR)


@pytest.fixture(scope="module")
def single(limits):
    return allowances(limits)


def off_by(bay, off):
    """The bay with its towers moved, for the exact constraints; not for the standoff."""
    return with_placements(bay, {t.name: placement_of(moved(bay, t, off)) for t in bay.towers})


def least_room(bay):
    seen = sightings(bay, PREDICTOR, visible=False)
    kept = [c.room for one in seen for c in sighting_constraints(bay, one)]
    shares = [(1.0 - one.prediction.share(bay.tolerance)) / 0.1 for one in seen]
    return min(*kept, *shares)


def test_everything_has_an_allowance(single):
    assert tuple(a.knob for a in single.each) == knobs_of(BAY)
    assert not single.broken
    for one in single.each:
        assert 0.0 < one.minus <= SEARCH[one.knob.name]
        assert (one.breaks_minus == "") == (one.minus == SEARCH[one.knob.name])


def test_within_the_allowance_all_exact_constraints_hold_and_beyond_one_breaks(single):
    checked = 0
    for one in single.each:
        if one.knob.name == "standoff":
            continue
        for sign, amount, breaks in (
            (-1.0, one.minus, one.breaks_minus),
            (1.0, one.plus, one.breaks_plus),
        ):
            inside = off_by(BAY, {one.knob: sign * 0.999 * amount})
            assert least_room(inside) >= -1e-9, one
            # floor space isn't among these constraints
            if breaks.startswith(("margin", "least tilt", "greatest tilt", "uncertainty")):
                outside = off_by(BAY, {one.knob: sign * (1.001 * amount + 1e-5)})
                assert least_room(outside) < 0.0, one
                checked += 1
    assert checked >= 10


def test_mirror_images_have_mirrored_allowances(single):
    left, right = BAY.towers
    p, q = left.placement, right.placement
    assert (p.offset, p.height, p.yaw, p.pitch) == (-q.offset, q.height, -q.yaw, q.pitch)
    for name, same in (("height", True), ("pitch", True), ("yaw", False), ("offset", False)):
        a, b = single.of(left.name, name), single.of(right.name, name)
        sides = (b.minus, b.plus) if same else (b.plus, b.minus)
        # the target's drawing isn't mirror-symmetric, but its plate is: margins and tilts are
        assert (a.minus, a.plus) == pytest.approx(sides, rel=1e-3, abs=1e-4)


def test_moving_all_towers_back_is_the_vehicle_standing_farther_off(limits):
    towers = {Knob(t.name, "forward"): 0.05 for t in BAY.towers}
    vehicle = {Knob(ALL, "standoff"): 0.05}
    ours, theirs = limits.slack([towers, vehicle]).values
    names = limits.slack([{}]).names
    seen = np.array(["tower, " in where for _, where in names])
    assert seen.any()
    np.testing.assert_allclose(ours[seen], theirs[seen], rtol=0, atol=1e-9)


def test_a_sloping_floor_is_all_plumb_towers_leaning(limits):
    slope = {Knob(ALL, "floor_along"): 0.01}
    lean = {Knob(t.name, "lean_along"): 0.01 for t in BAY.towers}
    a, b = limits.slack([slope, lean]).values
    np.testing.assert_array_equal(a, b)


def test_a_turned_tower_line_moves_its_left_end_away():
    left, right = BAY.towers
    off = {Knob(ALL, "square"): 0.01}
    place = placement_of(moved(BAY, left, off))
    assert place.forward == pytest.approx(left.placement.offset * math.sin(0.01))
    assert placement_of(moved(BAY, right, off)).forward < 0.0
    assert place.yaw == pytest.approx(left.placement.yaw - 0.01)


@pytest.mark.parametrize(
    "predictor", [PREDICTOR, pytest.param(Predictor("image"), marks=pytest.mark.slow)]
)
def test_a_quick_prediction_is_exact_for_the_plan(predictor):
    limits = limits_of(SHIPPED, predictor)
    found = limits.slack([{}])
    quick = [v for (name, _), v in zip(found.names, found.values[0], strict=True)
             if name == "uncertainty"]  # fmt: skip
    exact = [
        (1.0 - one.prediction.share(SHIPPED.tolerance)) / 0.1
        for one in sightings(SHIPPED, predictor, visible=False)
    ]
    # a quotient and a product of floats
    np.testing.assert_allclose(quick, exact, rtol=1e-9, atol=1e-9)


def test_limits_that_the_plan_breaks_are_named_and_left_out():
    tight = replace(BAY, tolerance=replace(BAY.tolerance, toe=1e-7))
    found = allowances(limits_of(tight, PREDICTOR), [Knob(ALL, "yaw")])
    assert len(found.broken) == len(sightings(BAY, PREDICTOR, visible=False))
    assert all(words.startswith("uncertainty (") for words in found.broken)
    assert found.each[0].least > 0.0


def test_sheets_round_down():
    length, angle = Knob(ALL, "height"), Knob(ALL, "yaw")
    assert rounded_down(0.0129999, length) == pytest.approx(0.012)
    assert rounded_down(0.013, length) == pytest.approx(0.013)
    assert rounded_down(math.radians(1.0699), angle) == pytest.approx(math.radians(1.06))
    assert rounded_down(0.0, angle) == 0.0


def test_a_table_has_millimetres_and_degrees():
    found = Allowances(
        (
            Allowance(Knob(ALL, "height"), 0.012, 0.02, "margin (x)", ""),
            Allowance(Knob("left", "yaw"), math.radians(2.0), math.radians(3.0), "a", "b"),
        ),
        (),
    )
    first, second = rows(found)
    assert (first["unit"], first["minus"], first["breaks_plus"]) == ("mm", 12.0, None)
    assert (second["where"], second["unit"]) == ("left", "deg")
    assert second["plus"] == pytest.approx(3.0)


@pytest.mark.slow
def test_the_joint_fraction_holds_as_often_as_it_says_on_fresh_draws(limits, single):
    found = joint(limits, single, trials=300, seed=3)
    assert 0.0 < found.fraction < 1.0
    assert wilson_bounds(found.holding, found.trials, 0.95)[0] >= 0.95
    knobs = inputs_of(BAY)
    sizes = np.array([single.of(k.where, k.name).least for k in knobs])
    fresh = np.random.default_rng(99).uniform(-1, 1, (400, len(knobs))) * sizes * found.fraction
    offs = [dict(zip(knobs, map(float, row), strict=True)) for row in fresh]
    held = int(np.sum(np.all(limits.slack(offs).values >= 0.0, axis=1)))
    # a rate of 0.95 or more gives fewer than 363 of 400 with a probability of 2e-4 (binomial)
    assert held >= 363


def test_the_joint_fraction_is_that_of_a_known_distribution():
    # limits that break at fractions spread evenly over 0 to 1: with 1000 of them, the largest
    # fraction at which 95 % hold is near 0.05, less what Wilson's bound costs (1.645 sqrt(pq/n))
    critical = (np.arange(1000) + 0.5) / 1000.0
    found = _conclude(critical, ["margin"] * 1000, 0.95, 0.95, 1)
    assert 0.05 - 2.0 * 1.645 * math.sqrt(0.95 * 0.05 / 1000) < found.fraction < 0.05
    assert wilson_bounds(found.holding, 1000, 0.95)[0] >= 0.95
    assert wilson_bounds(found.holding - 1, 1000, 0.95)[0] < 0.95
    assert found.worst == "margin"


def test_too_few_trials_show_nothing():
    found = _conclude(np.ones(20), [""] * 20, 0.95, 0.95, 1)
    assert found.fraction == 0.0


def test_the_same_seed_gives_the_same_answer(limits, single):
    a, b = (joint(limits, single, trials=60, seed=5) for _ in range(2))
    assert a == b


def test_the_yaw_that_a_level_camera_may_be_off_follows_from_bearings_by_hand():
    # Level and without distortion, a point at bearing b from the axis lies f tan(b) from the
    # middle whatever its height, and yaw adds to all bearings. So the plate's margin of m
    # widths w is used up at atan((W/2 - m w) / f) less the bearing of its outermost corner.
    camera = replace(BAY.towers[0].camera, distortion=(0.0,) * 5, cx=1223.5, cy=1023.5)
    tower = BAY.towers[0]
    place = replace(tower.placement, pitch=0.0, roll=0.0, yaw=math.radians(12.0), height=0.6)
    vehicle = replace(BAY.vehicles[0], axles=BAY.vehicles[0].axles[:1])
    bay = replace(
        BAY,
        towers=(replace(tower, placement=place, camera=camera),),
        vehicles=(vehicle,),
        stations=BAY.stations[:1],
    )
    wheel = next(w for w in wheels(bay) if w.side == "left")
    T = bay.towers[0].T_bay_camera.inverse() @ wheel.T_bay_target
    outline = bay.target.drawing.outline
    corners = T @ np.column_stack((outline, np.zeros(4)))
    bearings = np.arctan2(corners[:, 0], corners[:, 2])
    width = camera.fx * np.ptp(outline[:, 0]) / np.linalg.norm(T.translation)
    edge = math.atan((0.5 * camera.width - bay.siting.margin * width) / camera.fx)

    found = allowances(limits_of(bay, PREDICTOR), [Knob(tower.name, "yaw")]).each[0]
    assert found.breaks_plus.startswith("margin (")
    assert found.breaks_minus.startswith("margin (")
    # 15 degrees of search over 40 steps of 16³ parts: 1.6e-6 rad
    step = SEARCH["yaw"] / (40 * 16**3)
    assert 0.0 <= edge - bearings.max() - found.plus <= 1.01 * step
    assert 0.0 <= edge + bearings.min() - found.minus <= 1.01 * step
