"""What the screen says of a bay as built: what is off, the way back, shims, and no search ends."""

import math

import numpy as np
import pytest

from bench.geometry.rotation import rotation_x, rotation_y
from bench.scene.load import load_bay
from bench.scene.model import wheels_of_tower
from bench.setting_out.as_built import as_built
from bench.setting_out.as_built_file import read_measured
from bench.setting_out.as_built_output import advice_words, words_of
from bench.setting_out.as_built_template import template
from bench.setting_out.as_built_verdict import judge
from bench.setting_out.corrections import Advice, advise
from bench.setting_out.deviations import Allowance
from bench.setting_out.dimensions import anchors_of
from bench.setting_out.off_plan import shims
from bench.setting_out.placements import base_centre
from bench.setting_out.sheet_frame import side
from bench.setting_out.slack import Knob, limits_of
from bench.sighting.prediction import Predictor
from bench.sighting.sighting import sightings_of

BAY = load_bay()
LEFT, RIGHT = BAY.towers
PREDICTOR = Predictor("corner", 0.01)


def said(tmp_path, text):
    path = tmp_path / "measured.toml"
    path.write_text(text)
    measured = read_measured(path, BAY)
    verdict = judge(BAY, measured, PREDICTOR, visible=False)
    advice = advise(verdict.limits, limits_of(BAY, PREDICTOR))
    return verdict, words_of(verdict, measured, advice)


def test_a_tower_that_is_off_is_told_the_way_back_to_plan(tmp_path):
    yaw = math.degrees(LEFT.placement.yaw) + 1.2
    verdict, words = said(tmp_path, f'[[tower]]\nname = "left"\nyaw = "{yaw!r} deg"\n')
    assert verdict.state == "holds"
    assert (
        "Off the plan: left camera turned 1.20 deg to its left (yaw); back to plan: 1.20 deg to "
        "its right." in words
    )


def test_what_is_off_is_corrected_first_and_no_farther_than_the_plan(tmp_path):
    pitch = math.degrees(LEFT.placement.pitch) + 6.0
    verdict, words = said(tmp_path, f'[[tower]]\nname = "left"\npitch = "{pitch!r} deg"\n')
    assert verdict.state == "fails"
    best = next(line for line in words if line.startswith("Smallest single correction"))
    assert "left tower's pitch by -" in best
    assert "-6.00 deg back to plan" in best


def test_one_correction_is_not_called_several():
    words = advice_words(Advice((), ((Knob("left", "yaw"), -0.01),)))
    assert words == ["Smallest single correction: left tower's yaw by -0.58 deg."]


def test_a_lean_beyond_what_shims_mend_does_not_keep_every_limit(tmp_path):
    verdict, words = said(tmp_path, '[[tower]]\nname = "left"\nlean_across = "9 deg"\n')
    assert verdict.state == "fails"
    assert any("plumb, left tower: lacks 8.00" in line for line in words)
    assert any("beyond 1 deg: not for shims" in line for line in words)
    assert not any("correction" in line for line in words)


@pytest.mark.parametrize("tower", [LEFT, RIGHT])
@pytest.mark.parametrize(("along", "across"), [(0.4, 0.0), (0.0, -0.3), (-0.2, 0.5)])
def test_shims_bring_a_leaning_base_plate_level(tower, along, across):
    column = BAY.surroundings.column
    along, across = math.radians(along), math.radians(across)
    found = shims(tower, column, along, across)
    assert min(found.values()) == 0.0
    # the plate as it leans, by rotations alone; shims under its corners lift them to one height
    x, y = base_centre(tower.placement, column)
    turn = rotation_y(along) @ rotation_x(-across)
    stretch = (
        column.base_along / column.anchors_along,
        column.base_across / column.anchors_across,
    )
    heights = []
    for anchor in anchors_of(tower.placement, column):
        arm = np.array([(anchor.x - x) * stretch[0], (anchor.y - y) * stretch[1], 0.0])
        heights.append((turn @ arm)[2] + found[anchor.name.replace("_", " ")])
    # of third order in half a degree and 0.2 m: 1e-7 m
    assert np.ptp(heights) < 1e-6


def test_the_end_of_a_search_is_not_shown_as_a_limit():
    one = Allowance(Knob("left", "lean_across"), math.radians(10.0), 0.02, "", "margin (left)")
    assert side(one, "−") == "−≥10.00"
    assert side(one, "+") == "+1.14"


def test_signs_of_one_file_agree_right_of_the_centre_line(tmp_path):
    lines = template(BAY).splitlines()
    right = lines[lines.index('name = "right"') :]
    assert any(line.startswith('# offset = "-1600 mm"') for line in right)
    inner = next(line for line in right if line.startswith("# inner_front"))
    assert inner.startswith('# inner_front = ["-1440 mm"')
    # filled in with that sign, or as a tape reads it, it is the same place
    places = []
    for sign in ("-", ""):
        path = tmp_path / "measured.toml"
        path.write_text(
            '[[tower]]\nname = "right"\n[tower.anchors]\n'
            f'inner_front = ["{sign}1450 mm", "-100 mm"]\n'
            f'outer_back = ["{sign}1770 mm", "220 mm"]\n'
        )
        places.append(as_built(BAY, read_measured(path, BAY)).towers[1].placement)
    assert places[0] == places[1]
    assert places[0].offset == pytest.approx(-1.61, abs=1e-3)


def test_the_middle_of_a_plate_is_where_its_diagonals_cross():
    tower = BAY.towers[0]
    for one in sightings_of(BAY, tower, wheels_of_tower(BAY, tower), PREDICTOR):
        # by the corners alone: lines between opposite ones; lens distortion bends them by less
        # than the 2 px that the middle of the outline is off
        a, b, c, d = (np.append(p, 1.0) for p in one.outline_px)
        cross = np.cross(np.cross(a, c), np.cross(b, d))
        np.testing.assert_allclose(one.centre_px, cross[:2] / cross[2], atol=0.3)
        assert one.place[0] == pytest.approx((one.centre_px[0] + 0.5) / tower.camera.width)
