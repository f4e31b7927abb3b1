import dataclasses

import numpy as np
import pytest

from bench.defaults import SUITES
from bench.errors import ConfigError
from bench.geometry.camera import project
from bench.geometry.viewing import tilt_of_pose
from bench.survey.setting import is_whole, pattern_points
from bench.verify.case import SuiteCase, built_of, observe, scene_of, suite_cases
from bench.verify.suite import load_suite


@pytest.mark.parametrize("name", SUITES)
def test_every_shipped_suite_loads_and_every_group_can_be_seen(name):
    suite = load_suite(name)
    assert suite.name == name
    assert suite.cases == sum(1 for _ in suite_cases(suite))
    for group in suite.groups:
        scene = scene_of(SuiteCase(group, group.cases - 1), suite)
        assert scene.region.width > 0


TARGETED = """
[camera]
width = 800
height = 600
pixel_pitch = "5 um"
focal_length = "8 mm"

[target]
kind = "marker"
dictionary = "DICT_APRILTAG_36h11"
marker_id = 7
size = "200 mm"

[[group]]
name = "near"
cases = 3
range = ["2 m", "3 m"]
scratches = 1
dirt = 1
others = 2

[[group]]
name = "far"
cases = 3
range = ["5 m", "6 m"]
"""


@pytest.fixture
def own_suite(tmp_path):
    def write(head):
        path = tmp_path / "own.toml"
        path.write_text(f'name = "own"\n{head}\n{TARGETED}')
        return load_suite(path)

    return write


def test_a_suite_of_the_first_form_is_as_drawn_and_one_of_the_second_as_built(own_suite):
    first, second = own_suite("schema_version = 1"), own_suite("schema_version = 2")
    assert first.setting.built is None
    assert "noise alone" in first.pictures
    assert "no [budget] and no [imperfections]" in second.pictures
    assert second.digest != first.digest
    drawn = own_suite("schema_version = 2\nas_drawn = true")
    # the very pictures and baselines of the first form
    assert (drawn.digest, drawn.pictures) == (first.digest, first.pictures)


def test_case_k_of_every_group_is_of_bay_k(own_suite):
    suite = own_suite("schema_version = 2")
    bays = {case.key: built_of(case, suite)[0] for case in suite_cases(suite)}
    assert bays["near|00001"].name == bays["far|00001"].name
    assert bays["near|00001"].scale == bays["far|00001"].scale
    assert len({bay.scale for bay in bays.values()}) == 3


def test_a_suite_s_own_sizes_are_what_its_pictures_have(own_suite):
    sizes = "[budget]\nprint_scale = 1e-2\n[imperfections]\npaper = 0.1\nexposure = 0.0"
    built = own_suite(f"schema_version = 2\n{sizes}").setting.built
    assert (built.print_scale, built.imperfections.paper) == (1e-2, 0.1)


def test_a_case_as_built_differs_from_one_as_drawn_by_its_bay_alone(own_suite):
    drawn, built = own_suite("schema_version = 1"), own_suite("schema_version = 2")
    none = "[budget]\n" + "\n".join(
        f"{key} = {value}"
        for key, value in (
            ("print_scale", 0),
            ("print_aspect", 0),
            ("flatness", '"0 mm"'),
            ("focal", 0),
            ("aspect", 0),
            ("principal_point", '"0 px"'),
            ("distortion", '"0 px"'),
        )
    )
    none += "\n[imperfections]\n" + "\n".join(
        f"{key} = {value}"
        for key, value in (
            ("ink_spread", '"0 mm"'),
            ("paper", 0),
            ("blur", 0),
            ("blur_corner", '"0 px"'),
            ("exposure", 0),
            ("gradient", '"0 1/m"'),
            ("reflection_share", 0),
            ("dirt", 0),
        )
    )
    flat = own_suite(f"schema_version = 2\n{none}")
    for case in list(suite_cases(drawn))[1:5:3]:
        pictures = [observe(case, suite, 0)[0].picture for suite in (drawn, flat, built)]
        # sizes of nothing give the picture as drawn, scratches, dirt and other plates included
        assert np.array_equal(pictures[0].grey, pictures[1].grey)
        assert not np.array_equal(pictures[0].grey, pictures[2].grey)


@pytest.mark.parametrize("section", ["[budget]\nfocal = 1e-3", "[imperfections]\npaper = 0.1"])
@pytest.mark.parametrize("head", ["schema_version = 1", "schema_version = 2\nas_drawn = true"])
def test_sizes_that_no_picture_would_have_are_refused(own_suite, section, head):
    with pytest.raises(
        ConfigError, match=r"own.toml: .*(needs schema_version = 2|leaves them out)"
    ):
        own_suite(f"{head}\n{section}")


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
