import dataclasses
import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.errors import ConfigError
from bench.geometry.camera import Camera
from bench.survey.plan import (
    Plan,
    differences,
    grid_tilt_deg,
    noise_rng,
    position_pixel,
    view_of_case,
)

CAMERA = Camera(2448, 2048, 3600.0, 3600.0, 1223.5, 1023.5)
PLAN = Plan(
    ranges_m=(6.0, 2.5, 4.0),
    turns_deg=(0.0, 30.0),
    pitches_deg=(-10.0, 0.0),
    positions=(None, (0.25, 0.75)),
    trials=7,
    pipelines=("b/s", "a/s"),
    seed=5,
)


def test_a_key_names_the_cell_and_the_trial():
    # trial 3, range 4 m, turn 30, pitch -10, second position: each index in its place
    index = (((3 * 3 + 1) * 2 + 1) * 2 + 0) * 2 + 1
    assert PLAN.case(index).key == "r=4|turn=30|pitch=-10|pos=0.25,0.75|trial=3"


def test_cases_are_the_whole_grid_once():
    keys = [case.key for case in PLAN.cases()]
    assert len(keys) == PLAN.n_pictures == 3 * 2 * 2 * 2 * 7
    assert len(set(keys)) == len(keys)
    assert PLAN.n_rows == 2 * PLAN.n_pictures


def test_the_first_cases_look_at_every_cell():
    first = {PLAN.case(i).cell_key for i in range(PLAN.n_pictures // PLAN.trials)}
    assert first == {case.cell_key for case in PLAN.cases()}


def test_a_key_survives_the_rounding_of_units():
    metres = 13 * 0.3048  # 3.9624000000000001
    degrees = math.degrees(math.radians(30.0))  # 29.999999999999996
    plan = Plan((metres,), (degrees,), ("a/s",), trials=1, seed=0, pitches_deg=(-0.0,))
    assert plan.case(0).key == "r=3.9624|turn=30|pitch=0|pos=axis|trial=0"
    assert plan.turns_deg == (30.0,)


def test_a_view_depends_on_seed_and_key_alone():
    other_grid = dataclasses.replace(PLAN, ranges_m=(4.0,), positions=((0.25, 0.75),), trials=50)
    by_key = {case.key: case for case in other_grid.cases()}
    case = PLAN.case(PLAN.n_pictures - 1 - 12)
    same = by_key.get(case.key) or next(
        by_key[c.key] for c in PLAN.cases() if c.key in by_key and (case := c)
    )
    assert view_of_case(case, PLAN, CAMERA) == view_of_case(same, other_grid, CAMERA)
    reseeded = dataclasses.replace(PLAN, seed=6)
    assert view_of_case(case, PLAN, CAMERA) != view_of_case(case, reseeded, CAMERA)


def test_noise_depends_on_seed_and_key_alone():
    case = PLAN.case(11)
    moved = dataclasses.replace(case, index=3)
    draws = [noise_rng(c, seed).random() for c, seed in ((case, 5), (moved, 5), (case, 6))]
    assert draws[0] == draws[1] != draws[2]
    assert noise_rng(PLAN.case(12), 5).random() != draws[0]


def test_trials_vary_within_their_half_widths_and_use_them():
    plan = Plan((5.0,), (30.0,), ("a/s",), trials=400, seed=1, roll_deg=10.0)
    views = [view_of_case(case, plan, CAMERA) for case in plan.cases()]
    spans = {
        "range": (np.array([v.range_m for v in views]) / 5.0 - 1.0, 0.01),
        "turn": (np.degrees([v.turn for v in views]) - 30.0, 1.0),
        "pitch": (np.degrees([v.pitch for v in views]), 1.0),
        "roll": (np.degrees([v.roll for v in views]) - 10.0, 15.0),
        "u": (np.array([v.pixel[0] for v in views]) - CAMERA.cx, 0.5),
        "v": (np.array([v.pixel[1] for v in views]) - CAMERA.cy, 0.5),
    }
    for name, (found, half_width) in spans.items():
        assert np.all(np.abs(found) <= half_width * (1 + 1e-12)), name
        # 400 points of a sequence whose discrepancy is under 2 (1 + ln n)/n = 0.035 leave no
        # gap of that share of the width at either end
        assert np.ptp(found) > 2 * half_width * (1 - 2 * 0.035), name
        assert abs(found.mean()) < 2 * half_width * 0.035, name


def test_without_spread_only_the_phase_varies():
    plan = dataclasses.replace(
        PLAN, roll_spread_deg=0.0, tilt_spread_deg=0.0, range_spread=0.0, roll_deg=3.0
    )
    view = view_of_case(plan.case(0), plan, CAMERA)
    assert (view.range_m, view.turn) == (2.5, 0.0)
    assert_allclose((view.pitch, view.roll), np.radians((-10.0, 3.0)), atol=1e-15)


@pytest.mark.parametrize(
    ("position", "pixel"),
    [(None, (1223.5, 1023.5)), ((0.0, 1.0), (-0.5, 2047.5)), ((0.5, 0.5), (1223.5, 1023.5))],
)
def test_a_position_is_a_fraction_of_the_sensor_between_its_outer_edges(position, pixel):
    assert position_pixel(position, CAMERA) == pixel


@pytest.mark.parametrize(
    ("turn", "pitch", "tilt"),
    # cos 60 = 1/2 and cos 45 = 1/√2: arccos(1/(2√2)) = 69.295189 deg
    [(0.0, 0.0, 0.0), (-20.0, 0.0, 20.0), (0.0, 15.0, 15.0), (60.0, 45.0, 69.295189)],
)
def test_the_nominal_tilt_follows_from_turn_and_pitch(turn, pitch, tilt):
    assert_allclose(grid_tilt_deg(turn, pitch), tilt, atol=1e-6)


def test_equal_plans_have_equal_digests_in_any_order_of_writing():
    shuffled = dataclasses.replace(PLAN, ranges_m=(2.5, 4.0, 6.0), pipelines=("a/s", "b/s"))
    assert shuffled.digest == PLAN.digest
    assert dataclasses.replace(PLAN, seed=6).digest != PLAN.digest
    assert dataclasses.replace(PLAN, camera="other").digest != PLAN.digest


def test_a_contour_in_place_of_a_map_is_named():
    contour = PLAN.as_dict() | {"rule": {"levels": 1}}
    assert differences(contour, PLAN.as_dict()) == ["rule is a contour's there, none is asked for"]


def test_a_run_of_an_earlier_version_is_said_to_be_one():
    earlier = PLAN.as_dict() | {"schema": PLAN.schema - 1}
    (words,) = differences(earlier, PLAN.as_dict())
    assert words.startswith(f"its tables are of version {PLAN.schema - 1}, this sightbench makes")


def test_differences_name_each_field_with_both_values():
    other = dataclasses.replace(PLAN, trials=50, ranges_m=(4.0, 6.0))
    assert differences(PLAN.as_dict(), other.as_dict()) == [
        "ranges_m is 2.5, 4, 6 there, 4, 6 is asked for",
        "trials is 7 there, 50 is asked for",
    ]
    assert differences(PLAN.as_dict(), PLAN.as_dict()) == []


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"ranges_m": ()}, "ranges: at least one is needed"),
        ({"ranges_m": (0.0, 2.0)}, "ranges: 0 m is not a positive length"),
        ({"ranges_m": (math.nan,)}, "ranges: nan m is not a positive length"),
        ({"ranges_m": (2.0, 2.0)}, "ranges: a value is given twice in 2, 2"),
        ({"turns_deg": (88.5,)}, "turns: 88.5 deg is beyond ±88 deg"),
        ({"pitches_deg": (-95.0,)}, "pitches: -95 deg is beyond ±88 deg"),
        ({"positions": ((0.5, 1.2),)}, "position: 0.5, 1.2 lies outside the frame"),
        ({"pipelines": ("a/s", "a/s")}, "pipelines: a value is given twice in a/s, a/s"),
        ({"trials": 0}, "trials: 0 lies outside 1 to 1e"),
        ({"seed": -1}, "seed: -1 lies outside 0"),
        ({"range_spread": 0.5}, "range spread: 0.5 lies outside 0 to 0.2"),
    ],
)
def test_a_plan_that_cannot_be_carried_out_is_refused(change, words):
    with pytest.raises(ConfigError) as caught:
        dataclasses.replace(PLAN, **change)
    assert words in str(caught.value)
