"""Pictures of registrations say what their numbers say."""

from dataclasses import replace

from fixtures.bar_lists import both_ways

from bench.draw import style
from bench.registration.figures import poses_figure
from bench.scene.bar import BarPose
from bench.scene.load import load_bay


def words(figure):
    return [t.get_text() for axes in figure.axes for t in axes.texts]


def test_every_bar_is_numbered_with_its_steps():
    bay = load_bay()
    with style.applied():
        figure = poses_figure(bay, both_ways(bay, 45.0), "")
    found = words(figure)
    assert {"1, 2", "3, 4", "5, 6"} <= set(found)
    assert {tower.name for tower in bay.towers} <= set(found)


def test_bars_that_end_side_by_side_share_a_number():
    # seen from above a sloping bar is shorter by 1 %: its number would cover the level one's
    level = BarPose(5.0, heading=0.3)
    with style.applied():
        figure = poses_figure(load_bay(), (level, replace(level, slope=0.16)), "")
    assert "1, 2" in words(figure)
