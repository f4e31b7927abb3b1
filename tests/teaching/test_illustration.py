"""Scenes, covers and numbers of the teaching pictures."""

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.digest import key_digest
from bench.errors import ConfigError
from bench.geometry.rotation import log_rotation
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.raster import reflectance_image
from bench.imaging.region import region_of
from bench.registration.plan import default_sequence
from bench.registration.rehearsal import Errors, Faults, draw_scene
from bench.render.planar import render_target
from bench.scene.imperfections import AS_DRAWN
from bench.scene.load import load_bay
from bench.scene.tower_pair import tower_pair
from bench.survey.plan import Plan, noise_rng, view_of_case
from bench.survey.setting import Setting
from bench.survey.worker import Job, picture_of_case
from bench.teaching.cover import clipped, covered, ellipse, rectangle
from bench.teaching.illustration import illustrate
from bench.teaching.scenes import SCENES, SETS, Scene, chosen, sweep
from bench.teaching.slip import pipeline_for
from bench.teaching.trials import illustrate_plan
from bench.teaching.views import leaning, place_of, stage

pytestmark = pytest.mark.slow

PIPELINE = "apriltag/ippe-lm"


@pytest.fixture(scope="module")
def bay():
    return load_bay(None)


def scene(key):
    return next(one for one in SCENES if one.key == key)


def area(ring):
    x, y = ring.T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))


def test_names_of_scenes_are_their_own_and_every_set_asked_for_has_some():
    assert len({one.key for one in SCENES}) == len(SCENES)
    assert set(SETS) == {
        "tilt", "range", "aim", "light", "blur", "dirt", "mirror", "slip", "plumb",
    }  # fmt: skip
    assert len(sweep()) > 10


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


def test_the_picture_is_the_first_case_of_the_plan(bay):
    one = scene("tilt.good")
    shown = illustrate(bay, one, PIPELINE, 2, 5)
    setting, plan = stage(bay, one, PIPELINE, 2, 5)
    case = plan.case(0)
    again = picture_of_case(case, Job(plan, setting))
    assert np.array_equal(shown.picture.grey, again.grey)
    assert shown.cases[0]["key"] == case.key
    assert len(shown.cases) == shown.numbers["n"] == 2


def test_as_drawn_the_picture_has_noise_alone(bay):
    one = scene("tilt.good")
    shown = illustrate(bay, one, PIPELINE, 1, 5, as_built=False)
    setting, plan = stage(bay, one, PIPELINE, 1, 5, as_built=False)
    case = plan.case(0)
    T = pose_of_view(view_of_case(case, plan, setting.camera), setting.camera)
    again = render_target(setting.target, T, setting.camera, setting.imaging, noise_rng(case, 5))
    assert np.array_equal(shown.picture.grey, again.grey)
    assert (shown.numbers["as_built"], plan.imperfections) == (False, "")


def test_what_covers_a_face_lies_on_the_bay_s_own_print(bay):
    one = scene("dirt.on-corner")
    setting, plan = stage(bay, one, PIPELINE, 1, 5)
    still = replace(setting, built=replace(setting.built, imperfections=AS_DRAWN))
    covered_, plain = (
        illustrate_plan(bay, still, plan, scene=kind, known=bay.target).picture
        for kind in (one, replace(one, covers=()))
    )
    # mud of 0.11 of the plate's width has 0.9 % of its area, half of that on white; noise is 1 %
    other = np.abs(covered_.grey.astype(float) - plain.grey) > 0.1 * plain.full_scale
    assert 0.002 < np.mean(other) < 0.0095


def test_numbers_depend_on_seed_and_key_alone(bay):
    few = illustrate(bay, scene("range.near"), PIPELINE, 2, 1)
    more = illustrate(bay, scene("range.near"), PIPELINE, 3, 1)
    other = illustrate(bay, scene("range.near"), PIPELINE, 2, 2)
    assert few.cases == more.cases[:2]
    assert np.array_equal(few.picture.grey, more.picture.grey)
    assert few.numbers != other.numbers


def test_a_target_turned_measures_better_than_face_on_and_a_cut_off_one_not_at_all(bay):
    face_on = illustrate(bay, scene("tilt.face-on"), PIPELINE, 8, 1).numbers
    good = illustrate(bay, scene("tilt.good"), PIPELINE, 8, 1).numbers
    cut = illustrate(bay, scene("aim.cut-off"), PIPELINE, 3, 1)
    # the bound of the turn goes with 1 / sin(tilt) (Schweighofer and Pinz 2006 name the cause)
    assert face_on["rms_rot_deg"] > 3.0 * good["rms_rot_deg"]
    assert cut.numbers["usable"] == 0
    assert cut.numbers["missed"] == 3
    assert cut.margin_px < 0.0
    assert cut.outline[:, 0].max() > 1.0


def test_a_lean_goes_into_camber_as_it_is(bay):
    found = illustrate(bay, scene("plumb.leaning"), PIPELINE, 6, 1).numbers
    still = illustrate(bay, scene("plumb.plumb"), PIPELINE, 6, 1).numbers
    # a turn about the bay's x is camber's own axis; what is left is the measurement's noise
    spread = 5.0 * still["rms_camber_deg"]
    assert abs(found["mean_camber_deg"] - 0.5) < spread


def test_a_leaning_tower_keeps_its_foot(bay):
    tower = bay.towers[0]
    moved = leaning(tower, 2.0).translation
    foot = tower.T_bay_camera.translation * (1, 1, 0)
    assert_allclose(np.linalg.norm(moved - foot), tower.placement.height, rtol=1e-12)


@pytest.fixture(scope="module")
def slipped(bay):
    references = {}
    return illustrate(bay, scene("slip.large"), PIPELINE, 2, 1, references), references["slip"]


def test_a_slip_raises_the_alarm_and_no_slip_does_not(slipped):
    large, held = slipped
    assert large.reference is held
    assert large.numbers["alarms"] == 2
    assert held.numbers["alarms"] == 0
    assert held.numbers["slipped_px"] == 0.0 < large.numbers["slipped_px"]
    assert [case["key"] for case in held.cases] == ["registration 0", "registration 1"]
    assert all(case["alarms"] for case in large.cases)


def test_the_slipped_targets_picture_went_into_the_first_registration(bay, slipped):
    large, _ = slipped
    poses = default_sequence(bay, seed=1)
    half, slip = len(poses) // 2, (0.0, math.radians(2.0), 0.0)
    rng = np.random.default_rng(np.random.SeedSequence([1, key_digest("registration 0")]))
    drawn = draw_scene(bay, poses, Errors(), Faults(slip=slip, slip_step=half), rng)
    towers = dict(zip(("left", "right"), tower_pair(bay), strict=True))
    for step, seen in enumerate(drawn.glimpses):
        for one in seen:
            tower, target = towers[one.tower], bay.bar.target(one.end)
            T = one.T_camera_target
            picture = render_target(target, T, tower.camera, tower.imaging, rng)
            if step >= half and one.end == "B":
                assert np.array_equal(picture.grey, large.picture.grey)
                assert large.numbers["step_shown"] == step + 1
                turned = T.rotation.T @ large.T_before.rotation
                assert_allclose(np.linalg.norm(log_rotation(turned)), slip[1], rtol=1e-9)
                return
    pytest.fail("no picture of B after the slip")


def test_a_registration_takes_a_detector_that_reads_the_bars_targets(bay):
    assert pipeline_for(bay.bar.target_b, "charuco/ippe", bay).name == "apriltag/photometric"
    assert pipeline_for(bay.bar.target_b, PIPELINE, bay).name == "apriltag/photometric"


def test_a_scene_carries_its_reference_and_a_reference_none(bay):
    references = {}
    soft = illustrate(bay, scene("blur.soft"), PIPELINE, 1, 1, references)
    assert soft.reference is references["blur"]
    sharp = illustrate(bay, scene("blur.sharp"), PIPELINE, 1, 1, references)
    assert sharp is references["blur"]
    assert sharp.reference is None
    extra = soft.setting.imaging.optics.sigma_px
    assert_allclose(extra, math.hypot(bay.towers[0].imaging.optics.sigma_px, 3.0))


def test_any_planned_view_can_be_shown(bay):
    tower = bay.towers[0]
    setting = Setting(tower.camera, tower.imaging, bay.target)
    still = {"roll_spread_deg": 0.0, "tilt_spread_deg": 0.0, "range_spread": 0.0}
    plan = Plan((4.0,), (20.0,), (PIPELINE,), 2, 3, (-35.0,), ((0.3, 0.6),), 5.0, **still)
    shown = illustrate_plan(bay, setting, plan)
    assert shown.scene.key == "view.own"
    assert shown.scene.diagram == "side"
    assert [case["key"] for case in shown.cases] == [case.key for case in plan.cases()]
    cosine = math.cos(math.radians(20.0)) * math.cos(math.radians(35.0))
    assert_allclose(shown.tilt_deg, math.degrees(math.acos(cosine)), rtol=1e-9)
    assert_allclose(shown.outline.mean(axis=0), (0.3, 0.6), atol=0.002)  # perspective's shift
    two = Plan((4.0, 5.0), (20.0,), (PIPELINE,), 2, 3)
    with pytest.raises(ConfigError, match="one cell, one position and one pipeline"):
        illustrate_plan(bay, setting, two)


def test_mud_and_reflection_lie_on_the_patterns_corner(bay):
    corner = bay.target.markers[7].max(axis=0)
    mud = scene("dirt.on-corner").covers[0]
    assert_allclose(place_of(bay.target, mud), corner)
    assert_allclose(
        place_of(bay.target, scene("light.glare-on-edge").spot), corner + 0.035 * 0.26, rtol=1e-9
    )


def test_scenes_are_chosen_by_set_and_name():
    assert chosen(None, None) == (SCENES, True)
    assert [one.name for one in chosen(["slip"], None)[0]] == ["held", "small", "large"]
    assert chosen(["tilt"], "sweep") == ((), True)
    assert chosen(["dirt"], "grip")[0] == (scene("dirt.grip"),)


@pytest.mark.parametrize(
    ("sets", "case", "message"),
    [
        (["tlit"], None, "--set: there is no 'tlit'; there are tilt, range"),
        (None, "grip", "--case: 'grip' needs the one --set"),
        (["dirt", "tilt"], "grip", "--case: 'grip' needs the one --set"),
        (["dirt"], "gripp", "--case: set dirt has no 'gripp'; it has clean"),
    ],
)
def test_a_wrong_choice_is_named(sets, case, message):
    with pytest.raises(ConfigError, match=message):
        chosen(sets, case)


def test_a_view_that_the_bay_cannot_show_names_the_picture(bay):
    near = Scene("range", "inside-the-lens", times=0.01)
    with pytest.raises(ConfigError, match=r"picture range\.inside-the-lens: ranges: .* too short"):
        stage(bay, near, PIPELINE, 1, 1)
