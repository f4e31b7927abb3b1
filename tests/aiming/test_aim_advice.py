"""Advice on a tower's aim from its own rendered pictures, whose truth is known."""

import math
from dataclasses import replace

import numpy as np
import pytest
from fixtures.tower_pictures import binned_bay, off, tower_picture

from bench.aiming.advice import advise_aim, least_room
from bench.aiming.words import advice_words, headline, moves
from bench.errors import ConfigError
from bench.imaging.picture import Picture
from bench.scene.model import wheels_of_tower
from bench.setting_out.placements import leaning, replace_placement
from bench.sighting.prediction import predictor_of
from bench.sighting.sighting import sightings_of

# A corner is found to some 0.1 px; two targets of a binned camera give their centres to as much,
# 0.1 px / 870 px = 0.007 deg, and its own errors of a small marker may be three times that.
NEAR = 0.02


@pytest.fixture(scope="module")
def bay(tmp_path_factory):
    return binned_bay(tmp_path_factory.mktemp("bay"))


@pytest.fixture(scope="module")
def bay_without_ids(tmp_path_factory):
    return binned_bay(tmp_path_factory.mktemp("bay"), ids=False)


@pytest.mark.parametrize(
    ("tower", "yaw", "pitch"), [(0, 5.0, -2.0), (1, -4.0, 3.0), (0, 1.0, 1.0)]
)
def test_the_way_back_to_plan_is_what_the_tower_is_off_by(bay, tower, yaw, pitch):
    one = bay.towers[tower]
    advice = advise_aim(bay, tower_picture(bay, off(one, yaw, pitch)))
    assert (advice.tower.name, advice.state) == (one.name, "turn")
    found = np.degrees([advice.turn, advice.tip])
    np.testing.assert_allclose(found, [-yaw, -pitch], atol=NEAR)
    assert not advice.leans


def test_it_is_said_in_words_and_arrows(bay):
    advice = advise_aim(bay, tower_picture(bay, off(bay.towers[0], -1.2, -0.3)))
    assert moves(advice) == [("←", "turn it 1.2 deg to its left"), ("↑", "tip it 0.30 deg up")]
    assert headline(advice).startswith(
        "The left tower: turn it 1.2 deg to its left, tip it 0.30 deg up; both targets then have "
    )


def test_the_room_that_is_promised_is_that_of_the_planned_aim(bay):
    tower = bay.towers[0]
    advice = advise_aim(bay, tower_picture(bay, off(tower, 3.0)))
    van = [w for w in wheels_of_tower(bay, tower) if (w.vehicle, w.station) == ("van", "floor")]
    planned = sightings_of(bay, tower, van, predictor_of(bay, "corner"), visible=False)
    assert least_room(advice.then) == pytest.approx(least_room(planned), abs=0.02)
    assert f"{least_room(planned):.1f} plates of room" in headline(advice)


def test_it_says_when_to_stop(bay):
    advice = advise_aim(bay, tower_picture(bay, off(bay.towers[1], 0.05, -0.04)))
    assert (advice.state, moves(advice)) == ("inside", [])
    assert headline(advice).startswith("Stop: the right tower is within 0.1 deg of its plan")


def test_three_steps_of_a_hand_that_does_nine_tenths_end_inside(bay):
    at = off(bay.towers[0], 5.0, -1.5)
    for step in range(3):
        advice = advise_aim(bay, tower_picture(bay, at, key=f"step {step}"))
        at = replace_placement(
            at,
            replace(
                at.placement,
                yaw=at.placement.yaw + 0.9 * advice.turn,
                pitch=at.placement.pitch + 0.9 * advice.tip,
            ),
        )
    plan = bay.towers[0].placement
    left = max(abs(at.placement.yaw - plan.yaw), abs(at.placement.pitch - plan.pitch))
    assert math.degrees(left) < 0.1
    assert advise_aim(bay, tower_picture(bay, at)).state == "inside"


def test_swapped_targets_are_named_and_do_not_mislead_the_aim(bay):
    swap = {"front left": "rear left", "rear left": "front left"}
    advice = advise_aim(bay, tower_picture(bay, off(bay.towers[0], 2.0), carried=swap))
    assert advice.swapped == {"front left": 32, "rear left": 30}
    assert math.degrees(advice.turn) == pytest.approx(-2.0, abs=NEAR)
    said = "\n".join(advice_words(advice))
    assert "front left carries rear left's target, marker 32; its own is 30." in said


def test_a_target_of_the_other_side_is_found(bay):
    picture = tower_picture(bay, bay.towers[0], carried={"front left": "front right"})
    advice = advise_aim(bay, picture, tower="left")
    assert (advice.state, advice.swapped) == ("mend", {"front left": 31})


def test_what_the_bay_file_has_before_a_missing_target_is_named(tmp_path):
    bay = binned_bay(tmp_path, **{"mount.outboard": "0.05 m"})
    advice = advise_aim(bay, tower_picture(bay, bay.towers[0], hidden=("rear left",)))
    (rear,) = advice.missing
    assert rear.sight.fraction < 1.0
    assert f"not hung, as the bay file has things {rear.sight.hidden_words}." in "\n".join(
        advice_words(advice)
    )


def test_a_missing_target_is_named_with_where_it_should_be(bay):
    advice = advise_aim(bay, tower_picture(bay, bay.towers[0], hidden=("rear left",)))
    there = next(one for one in advice.now if one.wheel.name == "rear left")
    across, down = (100.0 * share for share in there.place)
    assert (advice.state, advice.lean) == ("mend", None)
    assert (
        f"rear left is missing: it should be {across:.0f} % across and {down:.0f} % down"
        in "\n".join(advice_words(advice))
    )


def test_a_target_beyond_the_edge_comes_in_with_the_turn(bay):
    advice = advise_aim(bay, tower_picture(bay, off(bay.towers[0], yaw=-22.0)))
    words = "\n".join(advice_words(advice))
    assert [one.now.wheel.name for one in advice.missing] == ["front left"]
    assert "it comes in as the tower is turned" in words
    assert math.degrees(advice.turn) == pytest.approx(22.0, abs=NEAR)


# Plates of 27 px and more tell their roll by corners good to 0.1 px: 0.1 / 27 / sqrt(2) rad, 0.15
# deg, and their mean 0.1 deg; twice that.
LEAN_NEAR = 0.2


@pytest.mark.parametrize(("degrees", "yaw"), [(0.9, 0.0), (-0.6, 0.0), (0.7, 3.0)])
def test_a_leaning_tower_gets_the_shim_that_brings_it_upright(bay, degrees, yaw):
    tower, column = bay.towers[0], bay.surroundings.column
    leant = leaning(tower.placement, column, 0.0, math.radians(degrees))
    advice = advise_aim(bay, tower_picture(bay, off(replace_placement(tower, leant), yaw)))
    assert math.degrees(advice.lean) == pytest.approx(degrees, abs=LEAN_NEAR)
    words = next(line for line in advice_words(advice) if "Shims" in line)
    side = "outer" if degrees > 0.0 else "inner"  # the low one, to which the top leans
    given = float(words.partition("upright: ")[2].partition(" mm")[0])
    shim = 1e3 * column.base_across * math.tan(math.radians(abs(degrees)))
    assert given == pytest.approx(shim, abs=1e3 * column.base_across * math.radians(LEAN_NEAR))
    assert f"mm {side} front" in words
    # the camera has moved with the column, 10 mm and more, which turn and tip must not take for
    # an aim: what is left is what the lean itself does to yaw and pitch
    expected = np.degrees(
        [tower.placement.yaw - leant.yaw, tower.placement.pitch - leant.pitch]
    ) - [yaw, 0.0]
    np.testing.assert_allclose(np.degrees([advice.turn, advice.tip]), expected, atol=0.1)


def test_plates_that_hang_askew_do_not_tell_a_lean(bay):
    picture = tower_picture(bay, bay.towers[0], askew={"front left": 2.0})
    advice = advise_aim(bay, picture)
    assert advice.lean is None
    assert "plates don't hang alike" in "\n".join(advice_words(advice))


def test_targets_that_look_alike_are_aimed_by_and_said_to_look_alike(bay_without_ids):
    bay = bay_without_ids
    picture = tower_picture(bay, off(bay.towers[1], 2.0))
    advice = advise_aim(bay, picture, tower="right")
    assert len(advice.placing.pairs) == 2
    assert math.degrees(advice.turn) == pytest.approx(-2.0, abs=NEAR)
    assert "can't be told apart" in advice_words(advice)[-1]
    with pytest.raises(ConfigError, match="--tower: whose picture is it, of left, right"):
        advise_aim(bay, picture)


@pytest.mark.parametrize(
    ("level", "words"), [(2, "it is dark, 1 %"), (252, "washed out, 99 %"), (90, "turn the tower")]
)
def test_an_empty_picture_says_what_it_shows_instead(bay, level, words):
    camera = bay.towers[0].camera
    picture = Picture(np.full((camera.height, camera.width), level, np.uint8))
    advice = advise_aim(bay, picture)
    assert advice.state == "nothing"
    assert words in headline(advice)


def test_another_vehicle_than_the_one_named_is_noticed(bay):
    picture = tower_picture(bay, bay.towers[0], vehicle=0)
    assert advise_aim(bay, picture).placing.vehicle == "small car"
    named = advise_aim(bay, picture, vehicle="long chassis")
    assert "m off the plan's: another vehicle" in "\n".join(advice_words(named))
    with pytest.raises(ConfigError, match="--vehicle: the bay has no 'lorry'; it has small car"):
        advise_aim(bay, picture, vehicle="lorry")
