"""Pictures of registrations say what their numbers say."""

from dataclasses import replace

import numpy as np
from fixtures.bar_lists import both_ways

from bench.draw import style
from bench.registration.figures import error_figure, poses_figure, progress_figure
from bench.registration.plan import progress
from bench.scene.bar import BarPose
from bench.scene.load import load_bay


def words(figure):
    return [t.get_text() for axes in figure.axes for t in axes.texts]


def test_every_bar_is_numbered_with_its_steps():
    bay = load_bay()
    with style.applied():
        figure = poses_figure(bay, both_ways(bay, 45.0))
    found = words(figure)
    assert {"1, 2", "3, 4", "5, 6"} <= set(found)
    assert {tower.name for tower in bay.towers} <= set(found)


def test_bars_that_end_side_by_side_share_a_number():
    # seen from above a sloping bar is shorter by 1 %: its number would cover the level one's
    level = BarPose(5.0, heading=0.3)
    with style.applied():
        figure = poses_figure(load_bay(), (level, replace(level, slope=0.16)))
    assert "1, 2" in words(figure)


def test_steps_that_leave_directions_open_say_how_many_are_known():
    bay = load_bay()
    steps = progress(bay, both_ways(bay, 45.0))
    with style.applied():
        figure = progress_figure([("six views", steps)], bay.tolerance.toe)
    open_steps = [p for p in steps if not p.is_determined]
    assert words(figure) == [f"{p.rank} of 12 known" for p in open_steps] * 2
    line = figure.axes[0].lines[0].get_ydata()
    assert np.isnan(line[: len(open_steps)]).all()
    assert np.isfinite(line[len(open_steps) :]).all()


def test_errors_are_drawn_in_degrees_and_millimetres():
    errors = np.array([[1e-3, 0, 0, 2e-3, 0, 0]])
    with style.applied():
        figure = error_figure(errors, np.full(6, 1e-3))
    turn, shift = figure.axes
    assert turn.lines[0].get_xdata()[0] == np.degrees(1e-3)
    assert shift.lines[0].get_xdata()[0] == 2.0
