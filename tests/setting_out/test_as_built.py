"""What was measured on site: read, turned into placements, judged, and what to move."""

import math
import tomllib
from dataclasses import replace

import cv2
import numpy as np
import pytest

from bench.errors import ConfigError
from bench.geometry.camera import project
from bench.geometry.rotation import rotation_z
from bench.render.planar import full_frame, render_target
from bench.scene.load import load_bay
from bench.scene.model import wheels_of_tower
from bench.setting_out.as_built import as_built, differences
from bench.setting_out.as_built_file import Measured, read_measured
from bench.setting_out.as_built_template import template
from bench.setting_out.as_built_verdict import Check, judge
from bench.setting_out.bay_text import bay_text
from bench.setting_out.corrections import advise
from bench.setting_out.dimensions import anchors_of, square_check
from bench.setting_out.photo_pose import COMPONENTS, FloorMark
from bench.setting_out.placements import leaning
from bench.setting_out.slack import ALL, Knob, limits_of
from bench.sighting.prediction import Predictor
from bench.units import length

SHIPPED = load_bay()
BAY = replace(SHIPPED, tolerance=replace(SHIPPED.tolerance, toe=0.03, camber=0.03))
LEFT, RIGHT = BAY.towers
PREDICTOR = Predictor("corner", 0.1)


def read(tmp_path, text):
    path = tmp_path / "measured.toml"
    path.write_text(text)
    return read_measured(path, BAY)


def built(tmp_path, text):
    return as_built(BAY, read(tmp_path, text))


def placement(bay, name):
    return next(t.placement for t in bay.towers if t.name == name)


def test_measured_numbers_take_the_plans_place_and_the_rest_stays(tmp_path):
    bay = built(
        tmp_path,
        'standoff = "2.40 m"\n[[tower]]\nname = "right"\noffset = "-1612 mm"\n'
        'yaw = "-11 deg"\nheight = "3 ft 7 in"\n',
    )
    right, plan = placement(bay, "right"), RIGHT.placement
    assert right.offset == pytest.approx(-1.612)
    assert right.yaw == pytest.approx(math.radians(-11.0))
    assert right.height == pytest.approx(43 * 0.0254)
    assert (right.pitch, right.roll, right.forward) == (plan.pitch, plan.roll, plan.forward)
    assert placement(bay, "left") == LEFT.placement
    assert bay.standoff == pytest.approx(2.40)
    assert bay.stations[0].standoff == pytest.approx(2.40)
    assert len(differences(BAY, bay)) == 12


def anchors_text(tower, moved, column=BAY.surroundings.column):
    """Anchor points after a motion of the floor: x, y -> x, y."""
    lines = [f'[[tower]]\nname = "{tower.name}"\n[tower.anchors]']
    for a in anchors_of(tower.placement, column):
        x, y = moved(np.array([a.x, a.y]))
        lines.append(f'{a.name} = ["{abs(y)!r} m", "{x!r} m"]')
    return "\n".join(lines)


@pytest.mark.parametrize("tower", [LEFT, RIGHT], ids=["left", "right"])
def test_a_base_shifted_and_turned_takes_its_camera_with_it(tmp_path, tower):
    turn, shift = 0.02, np.array([0.015, -0.008])
    centre = np.array([tower.placement.forward + BAY.surroundings.column.reach,
                       tower.placement.offset])  # fmt: skip
    R = rotation_z(turn)[:2, :2]

    def moved(p):
        x, y = centre + R @ (p - centre) + shift
        return float(x), float(y)

    place = placement(built(tmp_path, anchors_text(tower, moved)), tower.name)
    x, y = moved(np.array([tower.placement.forward, tower.placement.offset]))
    assert (place.forward, place.offset) == pytest.approx((x, y), abs=1e-9)
    assert place.yaw == pytest.approx(tower.placement.yaw + turn)


def test_anchor_points_that_are_no_base_plates_are_refused(tmp_path):
    text = anchors_text(LEFT, lambda p: (float(1.5 * p[0]), float(1.2 * p[1])))
    with pytest.raises(ConfigError, match=r"anchors: the points are .* mm off"):
        built(tmp_path, text)


def test_leaning_towers_tilt_what_was_not_measured_at_the_camera(tmp_path):
    lean = '[[tower]]\nname = "left"\nlean_along = "1 deg"\n'
    place = placement(built(tmp_path, lean), "left")
    column = BAY.surroundings.column
    assert place == leaning(LEFT.placement, column, math.radians(1.0), 0.0)
    measured = placement(built(tmp_path, lean + 'pitch = "-13 deg"\nheight = "1.1 m"\n'), "left")
    assert measured.pitch == pytest.approx(math.radians(-13.0))
    assert measured.height == 1.1
    assert measured.forward == place.forward


def test_a_sloping_floor_is_every_plumb_tower_leaning(tmp_path):
    bay = built(tmp_path, '[floor]\nalong = "0.5 deg"\nacross = "-0.3 deg"\n')
    column = BAY.surroundings.column
    for tower in BAY.towers:
        expected = leaning(tower.placement, column, math.radians(0.5), math.radians(-0.3))
        for name in COMPONENTS:
            found = getattr(placement(bay, tower.name), name)
            assert found == pytest.approx(getattr(expected, name), abs=1e-14)


def test_unequal_diagonals_turn_the_tower_line(tmp_path):
    check, angle = square_check(BAY), 0.01
    difference = check.difference(angle)
    one, other = check.diagonal + difference / 2, check.diagonal - difference / 2
    bay = built(tmp_path, f'[square]\none_three = "{one!r} m"\ntwo_four = "{other!r} m"\n')
    left, right = placement(bay, "left"), placement(bay, "right")
    # to first order in the difference over the diagonal, 1e-3: (1e-3)² of 16 mm
    assert left.forward == pytest.approx(LEFT.placement.offset * math.sin(angle), abs=1e-6)
    assert right.forward == pytest.approx(-left.forward)
    assert left.yaw == LEFT.placement.yaw  # the aim was set from the centre line


@pytest.mark.parametrize("count", [1, 2])
def test_aim_from_where_targets_appear(tmp_path, count):
    truth = replace(
        LEFT.placement,
        yaw=LEFT.placement.yaw + 0.02,
        pitch=LEFT.placement.pitch - 0.01,
        roll=0.03 if count == 2 else 0.0,
    )
    wheels = wheels_of_tower(BAY, LEFT)
    chosen = [wheels[0], wheels[-1]][:count]
    T_camera_bay = truth.T_bay_camera().inverse()
    text = '[[tower]]\nname = "left"\n'
    for wheel in chosen:
        u, v = project(np.zeros((1, 3)), T_camera_bay @ wheel.T_bay_target, LEFT.camera)[0]
        name = f"{wheel.vehicle} {wheel.name} at {wheel.station}"
        text += f'[[tower.seen]]\ntarget = "{name}"\nat = ["{u!r} px", "{v!r} px"]\n'
    place = placement(built(tmp_path, text.replace("np.float64(", "").replace(")", "")), "left")
    for angle in ("yaw", "pitch", "roll"):
        assert getattr(place, angle) == pytest.approx(getattr(truth, angle), abs=1e-8)


@pytest.mark.slow
def test_a_photograph_gives_the_whole_placement(tmp_path):
    mark = FloorMark(0.6, 2.6, 0.5, math.radians(-25.0))
    stands = replace(
        LEFT,
        placement=replace(LEFT.placement, offset=1.58, height=1.12, pitch=-0.25, roll=0.02),
    )
    T = stands.T_bay_camera.inverse() @ mark.T_bay_target()
    picture = render_target(BAY.target, T, LEFT.camera, LEFT.imaging, np.random.default_rng(2),
                            full_frame(LEFT.camera))  # fmt: skip
    (tmp_path / "left.png").write_bytes(cv2.imencode(".png", picture.grey)[1].tobytes())
    measured = read(
        tmp_path,
        '[uncertainty]\nlength = "1 mm"\nangle = "0.05 deg"\n[[tower]]\nname = "left"\n'
        '[tower.photo]\nimage = "left.png"\n'
        'mark = { offset = "0.6 m", distance = "2.6 m", height = "0.5 m", heading = "-25 deg" }\n',
    )
    photo = measured.photos["left"]
    place = placement(as_built(BAY, measured), "left")
    for name, u in photo.u.items():
        assert abs(getattr(place, name) - getattr(stands.placement, name)) < 3.0 * u
        # the mark's uncertainty is in it
        assert u >= 0.0005
    # and the directions reproduce its covariance
    steps = np.array([[d.get(f"left/photo/{c}", 0.0) for c in photo.u]
                      for d in measured.directions()])  # fmt: skip
    np.testing.assert_allclose(steps.T @ steps, photo.covariance, rtol=1e-9, atol=1e-18)


def test_a_bay_built_as_planned_holds(tmp_path):
    measured = read(tmp_path, '[[tower]]\nname = "left"\nheight = "1.1 m"\n')
    verdict = judge(BAY, measured, PREDICTOR, visible=False)
    assert verdict.state == "holds"
    assert not verdict.broken
    for check in verdict.checks:
        assert check.room == pytest.approx(check.planned, abs=1e-6)


def test_a_plate_that_nothing_hides_is_not_the_nearest_limit(tmp_path):
    measured = read(tmp_path, '[[tower]]\nname = "left"\nheight = "1.1 m"\n')
    checks = judge(BAY, measured, PREDICTOR, visible=True).checks
    seen = [check for check in checks if check.limit == "visible"]
    assert seen
    assert all(math.isinf(c.relative) == (c.room > 1.999) for c in seen)  # % of the plate
    assert checks[0].limit != "visible"


def test_a_limit_that_no_number_is_for_says_so():
    away = Check("uncertainty", "left tower", -math.inf, 50.0, 0.0, "%", "fails", -math.inf)
    assert away.words == "uncertainty, left tower: can't be measured from there"


def pitched(tmp_path, degrees, u=0.0):
    up = math.degrees(LEFT.placement.pitch) + degrees
    return read(
        tmp_path,
        f'[uncertainty]\nangle = "{u} deg"\n[[tower]]\nname = "left"\npitch = "{up!r} deg"\n',
    )


def test_a_camera_aimed_too_high_fails_and_is_told_to_turn_back(tmp_path):
    verdict = judge(BAY, pitched(tmp_path, 6.0), PREDICTOR, visible=False)
    assert verdict.state == "fails"
    first = verdict.broken[0]
    assert first.limit == "margin"
    assert first.where.startswith("left tower, ")
    assert "lacks" in first.words
    advice = advise(verdict.limits, limits_of(BAY, PREDICTOR))
    best = advice.singles[0]
    assert best.knob == Knob("left", "pitch")
    assert -math.radians(6.0) < best.least < 0.0
    # applied, everything holds; with a little less, it doesn't
    rooms = verdict.limits.slack(
        [{best.knob: best.least * 1.001}, {best.knob: best.least * 0.98}, {best.knob: best.middle}]
    ).values
    assert rooms[0].min() >= 0.0
    assert rooms[1].min() < 0.0
    assert rooms[2].min() > rooms[0].min()


def test_a_room_within_its_uncertainty_is_undecided(tmp_path):
    exact = judge(BAY, pitched(tmp_path, 6.0), PREDICTOR, visible=False)
    best = advise(exact.limits, limits_of(BAY, PREDICTOR)).singles[0]
    edge = 6.0 + math.degrees(best.least)  # just at the limit
    inside = edge - 0.2
    unsure = judge(BAY, pitched(tmp_path, inside, 0.3), PREDICTOR, False)
    assert judge(BAY, pitched(tmp_path, inside), PREDICTOR, False).state == "holds"
    assert unsure.state == "undecided"
    margin = next(c for c in unsure.checks if c.state == "undecided")
    assert "k = 2" in margin.words
    # its uncertainty by hand: the slope of the room over pitch, times 0.3 deg
    a, b = (
        {
            (c.limit, c.where): c.room
            for c in judge(BAY, pitched(tmp_path, d), PREDICTOR, False).checks
        }
        for d in (inside, inside + 0.3)
    )
    key = margin.limit, margin.where
    assert margin.u == pytest.approx(abs(a[key] - b[key]), rel=1e-6)


def test_where_no_single_move_helps_several_do(tmp_path):
    text = "".join(
        f'[[tower]]\nname = "{t.name}"\npitch = "{math.degrees(t.placement.pitch) + 6.0!r} deg"\n'
        for t in BAY.towers
    )
    verdict = judge(BAY, read(tmp_path, text), PREDICTOR, visible=False)
    advice = advise(verdict.limits, limits_of(BAY, PREDICTOR))
    assert all(c.knob.where == ALL for c in advice.singles)
    if not advice.singles:
        assert len(advice.together) >= 2
        assert verdict.limits.slack([dict(advice.together)]).values.min() >= 0.0


def test_the_as_built_bay_file_reads_back_as_the_bay(tmp_path):
    bay = built(
        tmp_path,
        'standoff = "2.41 m"\n[floor]\nalong = "0.4 deg"\n[[tower]]\nname = "left"\n'
        'offset = "1.613 m"\nforward = "-12 mm"\nroll = "0.7 deg"\n',
    )
    path = tmp_path / "as-built-bay.toml"
    path.write_text(bay_text(bay, "As built."))
    back = load_bay(path)
    for a, b in zip(bay.towers, back.towers, strict=True):
        for name in ("offset", "height", "forward", "yaw", "pitch", "roll"):
            # written to a nanometre and to 1e-9 degrees, nine digits
            assert getattr(b.placement, name) == pytest.approx(
                getattr(a.placement, name), rel=1e-8, abs=2e-9
            )
        assert a.camera == b.camera
    assert [s.standoff for s in back.stations] == pytest.approx([s.standoff for s in bay.stations])
    assert back.name == SHIPPED.name
    assert back.vehicles == SHIPPED.vehicles
    assert back.tolerance == SHIPPED.tolerance


def test_the_template_reads_and_says_the_plan_when_its_comments_are_taken_away(tmp_path):
    text = template(BAY)
    with pytest.raises(ConfigError, match="has no measurement"):
        read(tmp_path, text)
    keys = ("standoff", "one_three", "two_four", "along", "across", "offset", "forward", "height",
            "yaw", "pitch", "roll", "lean_along", "lean_across")  # fmt: skip
    filled = "\n".join(
        line[2:] if line.startswith(tuple(f"# {key} = " for key in keys)) else line
        for line in text.splitlines()
    )
    bay = built(tmp_path, filled)
    for tower in BAY.towers:
        for name in ("offset", "height", "forward", "yaw", "pitch", "roll"):
            # to a millimetre and a hundredth of a degree
            assert getattr(placement(bay, tower.name), name) == pytest.approx(
                getattr(tower.placement, name), abs=6e-4
            )


FAULTS = {
    "empty": ("", "has no measurement"),
    "uncertainty alone": ('[uncertainty]\nlength = "1 mm"\n', "has no measurement"),
    "unknown tower": ('[[tower]]\nname = "middle"\nheight = "1 m"\n', "no tower 'middle'"),
    "unknown key": ('[[tower]]\nname = "left"\nheigth = "1 m"\n', "did you mean height"),
    "no unit": ('[[tower]]\nname = "left"\nheight = 1.1\n', "lacks a unit"),
    "twice": ('[[tower]]\nname = "left"\nroll = "0 deg"\n' * 2, "there twice"),
    "one diagonal": ('[square]\none_three = "4 m"\n', "needs both diagonals"),
    "diagonals": ('[square]\none_three = "9 m"\ntwo_four = "1 m"\n', "no bay has such diagonals"),
    "wrong side": ('[[tower]]\nname = "right"\noffset = "1.6 m"\n', "offsets are negative"),
    "below the floor": (
        '[[tower]]\nname = "left"\nheight = "-1 m"\n', r"height: -1000\.0 mm; a camera is"
    ),
    "sign of an angle": (
        '[[tower]]\nname = "right"\nyaw = "12.4 deg"\n',
        r"yaw: 12\.4 deg, planned -12\.00 deg: its sign",
    ),
    "one anchor": (
        '[[tower]]\nname = "left"\n[tower.anchors]\ninner_front = ["1 m", "0 m"]\n',
        "two anchor points at least",
    ),
    "both ways": (
        '[[tower]]\nname = "left"\noffset = "1.6 m"\n[tower.anchors]\n'
        'inner_front = ["1 m", "0 m"]\nouter_front = ["1.3 m", "0 m"]\n',
        "anchors and offset say the same twice",
    ),
    "unknown target": (
        '[[tower]]\nname = "left"\n[[tower.seen]]\ntarget = "bus"\nat = ["1 px", "2 px"]\n',
        "no target 'bus'; such as",
    ),
    "photo and tape": (
        '[[tower]]\nname = "left"\nroll = "1 deg"\n[tower.photo]\nimage = "a.png"\n'
        'mark = { offset = "0 m", distance = "2 m", height = "0.5 m" }\n',
        "leave out roll",
    ),
    "missing photo": (
        '[[tower]]\nname = "left"\n[tower.photo]\nimage = "a.png"\n'
        'mark = { offset = "0 m", distance = "2 m", height = "0.5 m" }\n',
        "a.png: can't be read",
    ),
    "mark behind": (
        '[[tower]]\nname = "left"\n[tower.photo]\nimage = "a.png"\n'
        'mark = { offset = "0 m", distance = "-9 m", height = "0.5 m" }\n',
        "behind the left tower's camera",
    ),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_bad_input_is_refused_in_one_line(tmp_path, fault):
    text, words = FAULTS[fault]
    with pytest.raises(Exception, match=words) as caught:
        built(tmp_path, text)
    assert "\n" not in str(caught.value)
    assert "measured.toml" in str(caught.value) or "a.png" in str(caught.value)


def test_numbers_are_exact_without_uncertainty():
    assert Measured({"left/height": 1.1}, {"left/height": 0.0}).directions() == []


def test_the_template_names_the_file_that_has_its_plan():
    assert f"site {BAY.path.name} --as-built" in template(BAY)
    assert "site sited.toml --as-built" in template(BAY, "sited.toml")


def test_the_template_shows_where_a_target_appears_as_planned(tmp_path):
    kept = ("[[tower]]", "name =", "# [[tower.seen]]", "# target =", "# at =")
    lines = [line for line in template(BAY).splitlines() if line.startswith(kept)]
    bay = built(tmp_path, "\n".join(line.removeprefix("# ") for line in lines))
    for tower in BAY.towers:
        for name in ("yaw", "pitch"):
            # to half a pixel in some 3500 px of focal length, 0.14 mrad
            assert getattr(placement(bay, tower.name), name) == pytest.approx(
                getattr(tower.placement, name), abs=2e-4
            )


def test_the_template_puts_floor_marks_where_cameras_look():
    marks = [line for line in template(BAY).splitlines() if line.startswith("# mark =")]
    assert len(marks) == len(BAY.towers)
    for line, tower in zip(marks, BAY.towers, strict=True):
        mark = tomllib.loads(line.removeprefix("# "))["mark"]
        metres = [length(mark[key]) for key in ("distance", "offset", "height")]
        p_bay = np.array([-metres[0], *metres[1:]])
        p_camera = tower.T_bay_camera.inverse() @ p_bay[None]
        # to half a millimetre each way at two metres or more
        assert np.abs(p_camera[0, :2] / p_camera[0, 2]).max() < 5e-4
