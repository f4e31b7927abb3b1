import dataclasses

import numpy as np
import pytest

from bench.errors import ConfigError
from bench.geometry.camera import project
from bench.geometry.viewing import tilt_of_pose
from bench.survey.setting import is_whole, pattern_points
from bench.verify.case import SuiteCase, observe, scene_of, suite_cases
from bench.verify.suite import SHIPPED, load_suite


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_suite_loads_and_every_group_can_be_seen(name):
    suite = load_suite(name)
    assert suite.name == name
    assert suite.cases == sum(1 for _ in suite_cases(suite))
    for group in suite.groups:
        scene = scene_of(SuiteCase(group, group.cases - 1), suite)
        assert scene.region.width > 0


def test_the_hard_suite_has_every_hardship():
    groups = load_suite("hard").groups
    assert any(g.light < 0.3 for g in groups)
    assert any(g.blur_px for g in groups)
    assert any(g.motion_px for g in groups)
    assert any(g.tilt[1] > np.radians(75) for g in groups)
    assert any(g.range_m[1] > 20 for g in groups)
    assert any(g.hidden for g in groups)
    assert any(g.dirt for g in groups)
    assert any(g.scratches for g in groups)
    assert any(g.highlight for g in groups)
    assert any(g.tilt == (0.0, 0.0) for g in groups)
    assert any(g.edge_px for g in groups)
    assert any(g.others and not g.empty for g in groups)
    assert any(g.empty for g in groups)


def test_the_quick_suite_is_large_enough_for_its_promise():
    assert load_suite("quick").cases >= 1500


def test_a_group_at_tilt_zero_is_exactly_face_on():
    suite = load_suite("quick")
    group = next(g for g in suite.groups if g.name == "face-on")
    for index in range(5):
        tilt = tilt_of_pose(scene_of(SuiteCase(group, index), suite).T_camera_target_true)
        # rounding of a rotation's elements, 1e-16, comes out of an arc cosine or sine as 1e-8
        assert tilt < 1e-7


def test_a_border_case_keeps_its_distance_from_one_border():
    suite = load_suite("quick")
    group = next(g for g in suite.groups if g.edge_px)
    camera, pattern = suite.setting.camera, pattern_points(suite.setting.target)
    for index in range(6):
        pose = scene_of(SuiteCase(group, index), suite).T_camera_target_true
        assert is_whole(pattern, pose, camera)
        pixels = project(pattern, pose, camera)
        gaps = [
            pixels[:, 0].min() + 0.5,
            pixels[:, 1].min() + 0.5,
            camera.width - 0.5 - pixels[:, 0].max(),
            camera.height - 0.5 - pixels[:, 1].max(),
        ]
        # four Newton-like steps leave the pattern within a pixel of where it should be
        assert group.edge_px[0] - 1.0 < min(gaps) < group.edge_px[1] + 1.0


def test_noise_alone_changes_with_the_noise_key(tiny_suite):
    case = next(suite_cases(tiny_suite))
    first, scene = observe(case, tiny_suite, 0)
    again, _ = observe(case, tiny_suite, 0)
    other, other_scene = observe(case, tiny_suite, 1)
    assert np.array_equal(first.picture.grey, again.picture.grey)
    assert not np.array_equal(first.picture.grey, other.picture.grey)
    same = scene.T_camera_target_true.matrix == other_scene.T_camera_target_true.matrix
    assert np.all(same)
    assert scene.region == other_scene.region


def test_a_case_depends_on_its_key_alone(tiny_suite):
    group = tiny_suite.groups[0]
    more = dataclasses.replace(group, cases=group.cases + 7)
    grown = dataclasses.replace(tiny_suite, groups=(more,))
    a = scene_of(SuiteCase(group, 1), tiny_suite).T_camera_target_true
    b = scene_of(SuiteCase(more, 1), grown).T_camera_target_true
    assert np.array_equal(a.matrix, b.matrix)


def test_digest_is_that_of_what_is_seen(tiny_suite):
    renamed = dataclasses.replace(tiny_suite, name="other", summary="words")
    reseeded = dataclasses.replace(tiny_suite, seed=99)
    assert renamed.digest == tiny_suite.digest
    assert reseeded.digest != tiny_suite.digest


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        ('tlit = ["0 deg", "5 deg"]', "unknown key group.0.tlit; did you mean tilt?"),
        ('tilt = ["30 deg", "5 deg"]', "tilt: the first value must not exceed the second"),
        ('tilt = ["0 deg", "89 deg"]', "lies outside the limits"),
        ("light = 0.0", "group.0.light"),
        ("across = [0.2, 1.4]", "group.0.across"),
        ("clutter = 3", "clutter needs empty = true"),
        ("scratches = 1.5", "group.0.scratches"),
    ],
)
def test_nonsense_in_a_suite_is_named(tiny_file, line, problem):
    key = line.partition(" ")[0]
    head, plain, rest = tiny_file.read_text().partition('name = "plain"\n')
    first, gap, other = rest.partition("\n\n")
    kept = [old for old in first.splitlines() if not old.startswith(key)]
    tiny_file.write_text(head + plain + "\n".join([line, *kept]) + gap + other)
    with pytest.raises(ConfigError) as error:
        load_suite(tiny_file)
    assert problem in str(error.value)
    assert str(tiny_file) in str(error.value)
    assert "\n" not in str(error.value)


def test_a_suite_that_is_nowhere_is_named():
    with pytest.raises(ConfigError, match="quikc: neither a file nor one that ships: quick"):
        load_suite("quikc")


def test_a_group_nearer_than_the_plate_allows_is_refused(tiny_file):
    tiny_file.write_text(tiny_file.read_text().replace('"1 m"', '"0.05 m"'))
    with pytest.raises(ConfigError, match=r"is too near: above 0\.177 m"):
        load_suite(tiny_file)
