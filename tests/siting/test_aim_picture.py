"""The picture to hold beside a tower's live view."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.patches import Polygon

from bench.draw import style
from bench.scene.load import load_bay
from bench.sighting.prediction import Predictor
from bench.siting.aim import judge_aim
from bench.siting.aim_picture import aim_figure, write_aim_pictures
from bench.siting.tower_layout import layout_of, with_layout

QUICK = Predictor("corner", 0.004)


@pytest.fixture(scope="module")
def bay():
    return load_bay()


def draw(bay, note=""):
    aim = judge_aim(bay, QUICK, visible=False)
    with style.applied():
        return aim, aim_figure(aim, aim.towers[0], note)


def test_plates_are_drawn_where_the_camera_sees_them(bay):
    aim, figure = draw(bay)
    axes = figure.axes[0]
    camera = aim.towers[0].camera
    assert axes.get_xlim() == (-0.5, camera.width - 0.5)
    assert axes.get_ylim() == (camera.height - 0.5, -0.5)  # downwards
    box = axes.get_window_extent()
    # to scale: a picture's pixel is as high as it is wide
    assert box.width / box.height == pytest.approx(camera.width / camera.height, rel=1e-3)
    drawn = [p.get_xy()[:4] for p in axes.patches if isinstance(p, Polygon)]
    seen = [one.outline_px for one in aim.sightings if one.tower == aim.towers[0].name]
    np.testing.assert_allclose(drawn, seen)


def test_every_target_is_numbered_in_the_picture_and_in_the_table(bay):
    aim, figure = draw(bay)
    count = sum(one.tower == aim.towers[0].name for one in aim.sightings)
    tags = [t.get_text() for t in figure.axes[0].texts if t.get_text().rstrip("!").isdigit()]
    table = [t.get_text() for t in figure.texts]
    assert sorted(t.rstrip("!") for t in tags) == sorted(str(n + 1) for n in range(count))
    assert all(any(one.name in text for text in table) for one in aim.sightings[:count])


def test_a_failing_target_is_marked_by_more_than_colour(bay):
    tight = replace(bay, siting=replace(bay.siting, margin=2.0))
    _, figure = draw(tight)
    assert any(t.get_text().endswith("!") for t in figure.axes[0].texts)
    assert any("targets fail" in t.get_text() for t in figure.texts)


@pytest.mark.parametrize("turned", [0.0, -0.3, 0.6])
def test_no_text_overlaps_or_leaves_the_page(bay, text_faults, turned):
    own = layout_of(bay)
    _, figure = draw(with_layout(bay, replace(own, yaw=own.yaw + turned)), "sightbench aim")
    assert text_faults(figure) == []


@pytest.mark.slow
def test_the_same_aim_gives_the_same_files(bay, tmp_path):
    aim = judge_aim(bay, QUICK, "left", visible=False)
    first = [p.read_bytes() for p in write_aim_pictures(tmp_path / "a", aim)]
    second = [p.read_bytes() for p in write_aim_pictures(tmp_path / "b", aim)]
    assert first == second
