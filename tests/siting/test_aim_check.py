"""The aim check: where targets should appear, and what fails in words."""

import json
import math
from dataclasses import replace

import polars as pl
import pytest

from bench.envelope import Origin
from bench.errors import ConfigError
from bench.scene.facts import sights
from bench.scene.load import load_bay
from bench.sighting.prediction import Predictor
from bench.siting.aim import aim_table, judge_aim, write_aim
from bench.siting.tower_layout import layout_of, with_layout

QUICK = Predictor("corner", 0.005)


@pytest.fixture(scope="module")
def bay():
    return load_bay()


@pytest.fixture
def common(common_practice_bay, tmp_path):
    path = tmp_path / "common.toml"
    path.write_text(common_practice_bay, encoding="utf-8")
    return load_bay(path)


def test_the_shipped_bay_s_aim_holds_by_the_image_s_bound(bay):
    aim = judge_aim(bay, Predictor("image"))
    assert aim.failures == ()
    assert all(one.visible >= bay.siting.visible for one in aim.sightings)


def test_targets_are_judged_from_the_nearest_to_the_farthest(bay):
    aim = judge_aim(bay, QUICK, "left", visible=False)
    ranges = [one.range for one in aim.sightings]
    assert ranges == sorted(ranges)
    assert {one.tower for one in aim.sightings} == {"left"}


def test_places_agree_with_the_bay_command_s(bay):
    aim = judge_aim(bay, QUICK, visible=False)
    there = {(s.tower, s.wheel.vehicle, s.wheel.name, s.wheel.station): s for s in sights(bay)}
    for one in aim.sightings:
        other = there[one.tower, one.wheel.vehicle, one.wheel.name, one.wheel.station]
        assert one.range == pytest.approx(other.range_m)
        # the middle of the outline against the target's centre: perspective and tilt part them
        # by a few hundredths of the plate, which is 15 % of the picture at most
        assert one.place == pytest.approx(other.place, abs=0.01)


def test_a_camera_turned_away_fails_with_edge_and_amount(bay):
    own = layout_of(bay)
    turned = with_layout(bay, replace(own, yaw=own.yaw - math.radians(12.0)))
    aim = judge_aim(turned, QUICK, "left", visible=False)
    assert any("edge, with" in f and "px) short" in f for f in aim.failures)
    # turning a left tower's camera outward, to its right, moves all to the left
    assert aim.tightest.edge == "left"


def test_a_target_out_of_the_tilt_band_is_named(bay):
    tight = replace(bay, siting=replace(bay.siting, tilt=(0.0, math.radians(10.0))))
    aim = judge_aim(tight, QUICK, visible=False)
    assert any("tilt" in f and "is above 10.00 deg by" in f for f in aim.failures)


def test_an_uncertainty_outside_tolerance_is_named(bay):
    aim = judge_aim(bay, Predictor("corner", 5.0), visible=False)
    assert any("expanded uncertainty of toe" in f and "times it" in f for f in aim.failures)


def test_a_hidden_target_is_named(bay):
    everything = replace(bay, siting=replace(bay.siting, visible=1.0))
    aim = judge_aim(everything, QUICK, visible=True)
    hidden = [one for one in aim.sightings if one.visible < 1.0]
    named = [f for f in aim.failures if "visible part" in f and "hidden by: " in f]
    assert len(named) == len(hidden)


def test_an_unknown_tower_is_refused(bay):
    with pytest.raises(ConfigError, match="no tower 'middle'; it has left, right"):
        judge_aim(bay, QUICK, "middle")


def test_common_practice_near_inner_and_low_far_outer_and_high(common):
    """Common practice, no source: near targets toward the inner lower corner, far the opposite."""
    aim = judge_aim(common, QUICK, "left", visible=False)
    near, far = aim.sightings[0], aim.sightings[-1]
    # the left tower's left is inward
    assert near.place[0] < 0.5 < far.place[0]
    assert near.place[1] > 0.5 > far.place[1]
    assert near.size_px > 5.0 * far.size_px


def test_tables_have_the_same_rows(bay, tmp_path):
    aim = judge_aim(bay, QUICK, visible=False)
    csv, document = write_aim(tmp_path, aim, Origin("sightbench aim", "2026"))
    content = json.loads(document.read_text())["value"]
    table = pl.read_csv(csv)
    assert table.height == len(aim.sightings) == len(content["sightings"])
    assert content["holds"] == (not content["failures"])
    assert table["verdict"].to_list() == aim_table(aim)["verdict"].to_list()
    one = content["sightings"][0]
    assert one["across_percent"] == pytest.approx(100.0 * aim.sightings[0].place[0])
