"""Scenes, covers and numbers of the teaching pictures."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.errors import ConfigError
from bench.geometry.camera import project
from bench.geometry.rotation import log_rotation, rotation_y
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.raster import reflectance_image
from bench.imaging.region import region_of
from bench.scene.load import load_bay
from bench.solve.response import target_points
from bench.survey.plan import Plan
from bench.survey.setting import Setting
from bench.survey.worker import Job, picture_of_case
from bench.teaching.cover import clipped, covered, ellipse, rectangle, shaded
from bench.teaching.edges import moved_px, step_px
from bench.teaching.illustration import Making, illustrate, illustrate_each, too_few
from bench.teaching.scenes import (
    SCENES,
    Scene,
    chosen,
    differences,
    good_of,
    read_scenes,
    sweep,
)
from bench.teaching.sets import SETS
from bench.teaching.steepest import advice_of
from bench.teaching.trials import illustrate_plan
from bench.teaching.views import corner_of, lamp_of, moved, place_of, stage, turn_in_bay

PIPELINE = "apriltag/ippe-lm"


@pytest.fixture(scope="module")
def bay():
    return load_bay(None)


def scene(key):
    return next(one for one in SCENES if one.key == key)


def made(trials, seed=1, **more):
    return Making(PIPELINE, trials, seed, **more)


def test_names_of_scenes_are_their_own_and_a_sets_others_differ_from_its_good_view():
    assert len({one.key for one in SCENES}) == len(SCENES)
    for one in SCENES:
        good = good_of(one)
        if good is not None:
            differ = {k for k, v in one.content.items() if v != good.content[k]}
            # one cause each; some take two settings
            assert 1 <= len(differ) <= 2, one.key
    assert len(sweep()) > 10
    assert all(one.content | {"turn": 0.0} == sweep()[0].content for one in sweep())


def area(ring):
    x, y = ring.T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))


def test_an_ellipse_has_the_closed_forms_area():
    assert_allclose(area(ellipse(0.1, 0.2, 0.3, 0.5)), math.pi * 0.15 * 0.25, rtol=1e-12)


def test_clipping_keeps_sense_and_area_of_what_is_inside():
    square = rectangle(0.0, 0.0, 2.0, 2.0)
    window = rectangle(1.0, 0.5, 1.0, 1.0)  # from 0.5 to 1.5 across, all of it inside up to 1
    assert_allclose(area(clipped(square, window)), 0.5, rtol=1e-12)
    assert_allclose(area(clipped(square[::-1], window)), -0.5, rtol=1e-12)
    assert len(clipped(square, rectangle(5.0, 0.0, 1.0, 1.0))) == 0


def test_a_shape_that_comes_apart_when_clipped_keeps_its_area():
    u = np.array([[0, 0], [3, 0], [3, 2], [2, 2], [2, 1], [1, 1], [1, 2], [0, 2]], dtype=float)
    window = rectangle(1.5, 1.75, 4.0, 0.5)  # cuts both arms of the U
    assert_allclose(area(clipped(u, window)), 2 * 0.5, rtol=1e-12)


@pytest.mark.slow
def test_a_cover_shows_its_own_reflectance_and_leaves_the_rest(bay):
    drawing = bay.target.drawing
    camera = bay.towers[0].camera
    T = pose_of_view(View(2.5, turn=0.3), camera)
    region = region_of(drawing, T, camera, 4)
    window = rectangle(0.0, 0.0, 0.12, 0.12)
    before = reflectance_image(drawing, T, camera, region)
    after = reflectance_image(covered(drawing, window, 0.4), T, camera, region)
    changed = np.abs(after - before) > 1e-9
    rows, columns = np.nonzero(changed)
    inside = np.s_[rows.min() + 12 : rows.max() - 11, columns.min() + 12 : columns.max() - 11]
    # the rasteriser's stated bound; edges that were taken back lie under the cover
    assert_allclose(after[inside], 0.4, atol=1e-3)
    mask = np.ones_like(changed)
    mask[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1] = False
    assert not np.any(changed & mask)


@pytest.mark.slow
def test_a_shadow_leaves_a_share_of_all_that_lies_in_it(bay):
    drawing, camera = bay.target.drawing, bay.towers[0].camera
    T = pose_of_view(View(6.0, turn=0.3), camera)
    region = region_of(drawing, T, camera, 4)
    window = rectangle(0.0, 0.0, 1.0, 1.0)  # all of the plate and some of the wall
    before = reflectance_image(drawing, T, camera, region)
    after = reflectance_image(shaded(drawing, window, 0.3), T, camera, region)
    assert_allclose(after[6:-6, 6:-6], 0.3 * before[6:-6, 6:-6], atol=1e-3)


def test_the_numbers_are_of_the_plans_own_pictures_and_the_shown_one_of_its_nominal_view(bay):
    one = scene("range.too-far")
    shown = illustrate_plan(bay, *stage(bay, one, PIPELINE, 2, 5), one)
    setting, plan = stage(bay, one, PIPELINE, 2, 5)
    assert [case["key"] for case in shown.cases] == [case.key for case in plan.cases()]
    first = picture_of_case(plan.case(0), Job(plan, setting))
    assert first.grey.shape != shown.picture.grey.shape or not np.array_equal(
        first.grey, shown.picture.grey
    )
    assert_allclose(np.linalg.norm(shown.T_camera_target.translation), plan.ranges_m[0])


@pytest.mark.slow
def test_all_pictures_of_a_set_have_the_same_roll_place_light_and_noise(bay):
    known = {}
    mud = illustrate(bay, scene("plate.mud"), made(1), known)
    bent = illustrate(bay, scene("plate.bent"), made(1), known)
    assert mud.same_view
    assert bent.same_view
    # away from the mud the very same grey levels, noise and all
    same = mud.picture.grey == mud.reference.picture.grey
    assert 0.9 < np.mean(same) < 1.0
    assert bent.reference.picture is mud.reference.picture


@pytest.mark.slow
def test_numbers_depend_on_seed_and_key_alone(bay):
    few, more, other = (
        illustrate(bay, scene("range.near"), made(n, seed)) for n, seed in ((2, 1), (3, 1), (2, 2))
    )
    assert few.cases == more.cases[:2]
    assert np.array_equal(few.picture.grey, more.picture.grey)
    assert few.numbers != other.numbers


@pytest.mark.slow
def test_a_target_turned_measures_better_than_face_on_and_a_cut_off_one_not_at_all(bay):
    known = {}
    square = illustrate(bay, scene("tilt.too-square"), made(8), known)
    cut = illustrate(bay, scene("aim.cut-off"), made(3), known)
    # the bound of the turn goes with 1 / sin(tilt) (Schweighofer and Pinz 2006 name the cause)
    assert square.numbers["rms_rot_deg"] > 3.0 * square.reference.numbers["rms_rot_deg"]
    assert cut.numbers["usable"] == 0
    assert cut.numbers["missed"] == 3
    assert cut.margin_px < 0.0
    assert cut.outline[:, 0].max() > 1.0
    # by orthography an edge at half width w moves by w sin(turn) a radian
    half = 0.5 * 0.2 / 0.26 * square.size_px
    assert_allclose(
        step_px(square.reference),
        half * math.sin(math.radians(40.5)) * math.radians(1.0),
        rtol=0.1,  # perspective: half a plate, 0.1 m, over 3.9 m, twice, and the middle's depth
    )
    assert step_px(square) < 0.1 * step_px(square.reference)


@pytest.mark.slow
def test_a_plate_of_another_id_is_told_and_a_bent_one_moves_a_corner(bay):
    known = {}
    wrong = illustrate(bay, scene("plate.wrong-id"), made(2), known)
    assert (wrong.numbers["wrong_id"], wrong.numbers["usable"]) == (2, 0)
    bent = illustrate(bay, scene("plate.bent"), made(1), known)
    # a corner 2 mm before the face, seen at 30 degrees, moves by 2 mm sin 30 across, times the
    # pattern's share of the twist, (0.2 / 0.26) squared; perspective adds a tenth
    expected = 2e-3 * (0.2 / 0.26) ** 2 * 0.5 * bent.size_px / 0.26
    assert_allclose(moved_px(bent), expected, rtol=0.25)


@pytest.mark.parametrize("key", ["tower.leaning", "tower.bumped", "mount.askew", "mount.swapped"])
def test_what_is_astray_goes_into_toe_or_camber_as_it_is(bay, key):
    one = scene(key)
    setting, _ = stage(bay, one, PIPELINE, 1, 1)
    R = pose_of_view(View(3.0, 0.4, 0.2), setting.camera).rotation
    if one.astray == "plate":
        # an upright plate's own y is the bay's vertical
        upright = bay.towers[0].T_bay_camera.rotation.T @ np.array(
            [[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]
        )
        R = upright @ rotation_y(0.4)
    off = log_rotation(turn_in_bay(bay, one, R, R))
    axis = {"lean": 0}.get(one.astray, 2)
    assert_allclose(abs(off[axis]), one.by, rtol=1e-9)
    assert_allclose(np.delete(off, axis), 0.0, atol=1e-12)


def test_a_leaning_tower_keeps_its_foot(bay):
    tower = bay.towers[0]
    one = scene("tower.leaning")
    foot = tower.T_bay_camera.translation * (1, 1, 0)
    away = np.linalg.norm(moved(tower, one).translation - foot)
    assert_allclose(away, tower.placement.height, rtol=1e-12)


def test_a_mirrored_lamp_obeys_the_law_of_reflection_and_the_cure_takes_it_off_the_plate(bay):
    one = scene("light.lamp")
    T = pose_of_view(View(3.0, turn=math.radians(30.0)), bay.towers[0].camera)
    lamp, cure_deg = lamp_of(bay, one, T)
    eye = T.inverse().translation
    spot = np.array([*place_of(bay.target, one.spot), 0.0])

    def way(x, y):
        point = np.array([x, y, 0.0])
        return np.linalg.norm(eye - point) + np.linalg.norm(lamp - point)

    # Hero of Alexandria's principle, from memory: the mirrored ray takes the shortest way
    least = way(*spot[:2])
    for dx, dy in itertools.product((-0.01, 0.0, 0.01), repeat=2):
        assert way(spot[0] + dx, spot[1] + dy) >= least - 1e-12
    turned = rotation_y(math.radians(cure_deg)).T
    near, image = turned @ eye, turned @ lamp * (1.0, 1.0, -1.0)
    hit = near + near[2] / (near[2] - image[2]) * (image - near)
    assert np.any(np.abs(hit[:2]) > 0.13 + 2.0 * one.spot.sigma * 0.26)


@pytest.mark.slow
def test_advice_stops_at_the_first_step_that_does_not_hold(bay):
    good = illustrate(bay, sweep()[4], made(1))

    def step(turn_deg, error_deg, n=60):
        rows = tuple(
            {"key": f"{turn_deg}|{k}", "outcome": "ok", "err_rot_deg": error_deg + 1e-4 * k}
            for k in range(n)
        )
        T = pose_of_view(View(3.9, turn=math.radians(turn_deg)), good.setting.camera)
        numbers = good.numbers | {"n": n, "usable": n}
        return replace(good, cases=rows, numbers=numbers, turn_deg=turn_deg, T_camera_target=T)

    frames = [
        step(0.0, 0.5),
        step(30.0, 0.03),
        step(60.0, 0.02),
        step(80.0, 0.3),
        step(85.0, 0.01),
    ]
    advice = advice_of(frames, bay)
    assert (advice.first_deg, advice.steepest_deg, advice.next_deg) == (30.0, 60.0, 80.0)
    assert advice.verdicts == ("outside", "inside", "inside", "outside", "inside")
    # face-on a twist moves points along the line of sight, by what perspective shows of it alone;
    # at 60 degrees it moves them across
    assert advice.bends_m[0] > 2.0 * advice.bends_m[2]
    none = advice_of(frames[:1], bay)
    assert none.steepest_deg is None


@pytest.mark.slow
def test_registrations_are_rehearsed_as_built_and_a_slip_raises_the_alarm(bay):
    slipped = illustrate(bay, scene("slip.slipped"), made(2))
    held = slipped.reference
    assert (slipped.numbers["alarms"], held.numbers["alarms"]) == (2, 0)
    # what the checks name is what was done: B, from half way on
    assert all("target B" in c["alarms"] or "slipped" in c["alarms"][0] for c in slipped.cases)
    assert held.numbers["slipped_px"] == 0.0 < slipped.numbers["slipped_px"]
    # points of the very picture that is shown
    assert len(slipped.found) == 4
    T, camera = slipped.T_camera_target, slipped.setting.camera
    for point, pixel in slipped.found.items():
        assert np.linalg.norm(project(np.array([[*point, 0.0]]), T, camera)[0] - pixel) < 2.0
    turned = T.rotation.T @ slipped.T_before.rotation
    assert_allclose(np.linalg.norm(log_rotation(turned)), math.radians(1.0), rtol=1e-9)


def test_known_cases_are_not_computed_again(bay):
    one = scene("range.too-far")
    first = illustrate_plan(bay, *stage(bay, one, PIPELINE, 2, 1), one)
    told = ({"key": "told", "outcome": "missed"},) * 2
    again = illustrate_plan(
        bay, *stage(bay, one, PIPELINE, 2, 1), one, {first.made_of: list(told)}
    )
    assert again.cases == told
    other = illustrate_plan(
        bay, *stage(bay, one, PIPELINE, 2, 2), one, {first.made_of: list(told)}
    )
    assert other.cases != told


def test_a_view_of_ones_own_keeps_its_plan(bay):
    setting = Setting(bay.towers[0].camera, bay.towers[0].imaging, bay.target)
    plan = Plan(
        (9.0,), (20.0,), (PIPELINE,), 2, 3, pitches_deg=(35.0,), positions=((0.3, 0.6),),
        **setting.digests(),
    )  # fmt: skip
    shown = illustrate_plan(bay, setting, plan)
    assert shown.scene.key == "view.own"
    cosine = math.cos(math.radians(20.0)) * math.cos(math.radians(35.0))
    assert_allclose(shown.tilt_deg, math.degrees(math.acos(cosine)), rtol=1e-9)
    assert_allclose(shown.outline.mean(axis=0), (0.3, 0.6), atol=0.002)  # perspective's shift
    two = Plan((4.0, 5.0), (20.0,), (PIPELINE,), 2, 3)
    with pytest.raises(ConfigError, match="one cell, one position and one pipeline"):
        illustrate_plan(bay, setting, two)


def test_mud_lies_on_the_patterns_corner_and_the_edges_are_the_patterns(bay):
    corner = bay.target.markers[7].max(axis=0)
    assert_allclose(place_of(bay.target, scene("plate.mud").covers[0]), corner)
    assert_allclose(corner_of(bay.target)[:2], target_points(bay.target)[:, :2].max(axis=0))


def test_too_few_pictures_are_warned_of(bay):
    # 0.95 to the 59th is below 0.05, to the 58th above
    assert too_few(bay, 59) is None
    assert "59 without a miss are the fewest" in too_few(bay, 58)


def test_scenes_are_chosen_by_set_and_name():
    assert chosen(None, None) == (SCENES, True)
    assert [one.name for one in chosen(["slip"], None)[0]] == ["held", "slipped"]
    assert chosen(["tilt"], "sweep") == ((), True)
    assert chosen(["plate"], "mud")[0] == (scene("plate.mud"),)
    assert set(SETS) == {one.set for one in SCENES}


@pytest.mark.parametrize(
    ("sets", "case", "message"),
    [
        (["tlit"], None, "--set: there is no 'tlit'; there are tilt, range"),
        (None, "mud", "--case: 'mud' needs the one --set"),
        (["plate", "tilt"], "mud", "--case: 'mud' needs the one --set"),
        (["plate"], "mudd", "--case: set plate has no 'mudd'; it has sound"),
    ],
)
def test_a_wrong_choice_is_named(sets, case, message):
    with pytest.raises(ConfigError, match=message):
        chosen(sets, case)


OWN = """
[[scene]]
set = "light"
name = "two"
spot = { x = -0.2, sigma = 0.1, level = 1.2 }
texts = { title = "T", mark = "M", lesson = "L", why = "W" }
"""


def test_a_trainers_scene_has_all_that_its_sets_good_view_has_but_what_it_names(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(OWN + OWN.replace('"light"', '"tilt"'))
    light, tilt = read_scenes(path)
    good = scene("light.even")
    assert light.content | {"spot": None} == good.content
    assert tilt.turn == scene("tilt.turned").turn
    assert good_of(light).key == "light.even"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("spot =", "spott =", r"own\.toml: .*spott"),
        ("level = 1.2", "level = 1200", r"own\.toml: .*level.*\(scene 1\)"),
        ('name = "two"', 'name = "lamp"', r"scene 1: two scenes are called light\.lamp"),
        ("texts =", "# texts =", r"scene 1: texts: is missing"),
        ('name = "two"', 'name = "Zwei Lampen"', r"name: 'Zwei Lampen' must be small letters"),
        ("spot =", "# spot =", r"scene 1: light\.two differs in nothing from light\.even"),
        ("[[scene]]", "[[scenes]]", r"own\.toml: .*scenes"),
        ("[[scene]]", "[scene]", r"own\.toml: \[scene\]: write \[\[scene\]\]"),
        ('"light"', '"lihgt"', r"set lihgt has one scene.* nothing to stand beside it"),
        ("spot =", 'focus = "0.6 m"\nspot =', r"focus and f_number belong together"),
        ("spot =", 'slip = "1 deg"\nspot =', r"scene 1: slip: needs a set whose good view has it"),
        ('mark = "M"', 'mark = "' + 81 * "m" + '"', r"texts\.mark: .*80 characters"),
    ],
)
def test_what_is_wrong_with_a_trainers_scene_is_named(tmp_path, old, new, message):
    path = tmp_path / "own.toml"
    path.write_text(OWN.replace(old, new))
    with pytest.raises(ConfigError, match=message) as caught:
        read_scenes(path)
    assert "\n" not in str(caught.value)


def test_a_scene_that_differs_in_two_things_is_told(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(OWN.replace("spot =", "light = 2.0\nspot ="))
    assert differences(*read_scenes(path)) == ("light", "spot")
    # window light is one thing, in two keys
    assert not any(differences(one) for one in SCENES)


def test_a_view_that_the_bay_cannot_show_names_the_picture(bay):
    near = Scene(set="range", name="inside-the-lens", times=0.01)
    with pytest.raises(ConfigError, match=r"picture range\.inside-the-lens: ranges: .* too short"):
        stage(bay, near, PIPELINE, 1, 1)
    with pytest.raises(ConfigError, match="inside-the-lens"):
        illustrate_each((near,), bay, made(1), lambda _: None, lambda *_: None)
