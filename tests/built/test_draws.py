"""Bays and moments, drawn; their faces and pictures."""

from dataclasses import replace

import numpy as np
import pytest

from bench.built.draws import Moment, draw_bay, draw_moment
from bench.built.face import face_factor, paper, printed
from bench.built.one_bay import one_bay_from, one_bay_text, read_one_bay
from bench.built.picture import built_picture, own_face
from bench.built.sizes import sizes_of, sizes_words
from bench.errors import ConfigError
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.region import region_of
from bench.render.planar import render_target
from bench.scene.imperfections import AS_DRAWN
from bench.scene.load import load_bay

BAY = load_bay()
TOWER = BAY.towers[0]
SIZES = sizes_of(BAY, TOWER)
DRAWING = BAY.target.drawing
POSE = pose_of_view(View(range_m=8.0, turn=0.6, pitch=0.0, roll=0.0), TOWER.camera)
REGION = region_of(DRAWING, POSE, TOWER.camera, 16)
STILL = Moment(1.0, (0.0, 0.0), None, np.empty((0, 3)))


def test_a_bay_is_its_name_s_and_its_seed_s():
    one, same, other = (draw_bay(SIZES, *key) for key in ((1, "a"), (1, "a"), (2, "a")))
    assert one_bay_text(one) == one_bay_text(same) != one_bay_text(other)
    assert one_bay_text(one) != one_bay_text(draw_bay(SIZES, 1, "b"))


def test_another_size_of_one_cause_leaves_the_others_as_drawn():
    # what makes surveys of different sizes comparable picture by picture
    one = draw_bay(SIZES, 1, "a")
    flatter = draw_bay(replace(SIZES, flatness=2.0 * SIZES.flatness), 1, "a")
    assert np.array_equal(flatter.plate, 2.0 * one.plate)
    assert one_bay_text(replace(flatter, plate=one.plate)) == one_bay_text(one)


def test_bays_have_the_sizes_that_they_are_drawn_from():
    n = 400
    bays = [draw_bay(SIZES, 1, str(k)) for k in range(n)]
    # five standard deviations of a standard deviation from n normal draws
    slack = 5.0 / np.sqrt(2 * n)
    assert np.std([b.scale for b in bays]) == pytest.approx(SIZES.print_scale, rel=slack)
    assert np.std([b.camera for b in bays], axis=0) == pytest.approx(np.ones(5), rel=slack)
    plates = np.array([b.plate for b in bays])
    assert np.max(np.abs(plates)) <= SIZES.flatness
    assert np.std(plates) == pytest.approx(SIZES.flatness / np.sqrt(3.0), rel=slack)


def test_reflections_come_in_their_share_of_pictures():
    for share in (0.0, 1.0):
        sizes = replace(SIZES, imperfections=replace(SIZES.imperfections, reflection_share=share))
        found = [draw_moment(sizes, 1, str(k), DRAWING).highlight for k in range(20)]
        assert sum(one is not None for one in found) == 20 * share


def test_a_bay_survives_its_text():
    one = draw_bay(SIZES, 1, "a")
    again = one_bay_from(one_bay_text(one))
    assert np.array_equal(again.causes, one.causes)
    assert (again.paper, again.blur, again.name) == (one.paper, one.blur, one.name)


def test_a_bay_s_file_freezes_what_was_measured_and_draws_the_rest_by_its_name(tmp_path):
    path = tmp_path / "bay.toml"
    path.write_text('name = "hall 2"\n[print]\nscale = 3e-4\n[plate]\ntwist = "-0.2 mm"\n')
    bay, drawn = read_one_bay(path).bay(SIZES, 1), draw_bay(SIZES, 1, "hall 2")
    assert bay.scale == 3e-4
    assert bay.plate == pytest.approx([drawn.plate[0], drawn.plate[1], -2e-4])
    assert (bay.aspect, bay.ink, bay.paper) == (drawn.aspect, drawn.ink, drawn.paper)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[print]\nscale = 3e-4\n", "name"),
        ('name = "a"\n[plate]\nbow = "1 mm"\n', "unknown key plate.bow"),
        ('name = "a"\n[print]\nscale = 2.0\n', "print.scale"),
    ],
)
def test_a_wrong_bay_s_file_is_refused_in_one_line(tmp_path, text, words):
    path = tmp_path / "bay.toml"
    path.write_text(text)
    with pytest.raises(ConfigError) as caught:
        read_one_bay(path)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_bay_without_imperfections_takes_the_picture_as_drawn():
    sizes = replace(SIZES, modes=np.zeros((9, 0)), imperfections=AS_DRAWN)
    sizes = replace(sizes, print_scale=0.0, print_aspect=0.0, flatness=0.0)
    bay = draw_bay(sizes, 1, "a")
    args = (DRAWING, POSE, TOWER.camera, TOWER.imaging, sizes, bay, STILL)
    built = built_picture(*args, np.random.default_rng(3))
    drawn = render_target(BAY.target, POSE, TOWER.camera, TOWER.imaging, np.random.default_rng(3))
    assert np.array_equal(built.grey, drawn.grey)


def test_print_is_scaled_about_the_middle_and_the_plate_keeps_its_edge():
    face = printed(DRAWING, 0.01, 0.02)
    assert face.shapes[0] is DRAWING.shapes[0]
    before, after = (one.shapes[1].rings[0] for one in (DRAWING, face))
    assert after == pytest.approx(before * (1.0, 1.02))


def test_a_bay_s_plate_is_bent_by_its_own_modes():
    bay = draw_bay(SIZES, 1, "a")
    assert own_face(DRAWING, bay).bend.twist == bay.plate[2]


def test_paper_varies_by_its_size_over_its_distance():
    more = SIZES.imperfections
    near, far = [], []
    for seed in range(300):
        x = np.array([0.0, 0.2 * more.paper_scale, 3.0 * more.paper_scale])
        values = paper(x, np.zeros(3), seed, more)
        near.append(values[:2])
        far.append(values[[0, 2]])
    # 5 standard deviations of a standard deviation from 300 draws; a sum of waves has a fourth
    # moment below a Gaussian's
    assert np.std(near) == pytest.approx(more.paper, rel=5.0 / np.sqrt(2 * 600))
    # exp(-0.2²/2) = 0.98 and exp(-3²/2) = 0.011; five of 1/sqrt(300)
    assert np.corrcoef(np.array(near).T)[0, 1] > 0.9
    assert abs(np.corrcoef(np.array(far).T)[0, 1]) < 5.0 / np.sqrt(300)


def test_a_spot_swallows_as_much_light_however_the_lens_spreads_it():
    bay = draw_bay(SIZES, 1, "a")
    more = replace(SIZES.imperfections, paper=0.0)
    moment = replace(STILL, spots=np.array([[0.01, 0.02, 0.2]]))
    lost = [
        np.sum(1.0 - face_factor(bay, moment, more, POSE, TOWER.camera, blur, REGION))
        for blur in (0.3, 2.0)
    ]
    # the tails beyond 4.5 standard deviations hold 4e-5
    assert lost[0] == pytest.approx(lost[1], rel=1e-3)
    # a depth times 2π σ² on the face, in pixels: f² / r² and the cosine of its slant
    width = TOWER.camera.fx * more.dirt_size / 8.0
    assert lost[0] == pytest.approx(0.2 * 2.0 * np.pi * width**2 * np.cos(0.6), rel=0.02)


def test_the_first_line_says_which_sizes_are_assumed(tmp_path):
    assert "no [budget] and no [imperfections]" in sizes_words(BAY)
    assert "the bay file's sizes" in sizes_words(replace(BAY, sized=("budget", "imperfections")))
    assert "\n" not in sizes_words(BAY)
