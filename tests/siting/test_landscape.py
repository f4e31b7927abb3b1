"""The landscape of siting."""

import numpy as np
import pytest

from bench.draw import style
from bench.scene.load import load_bay
from bench.sighting.prediction import Predictor
from bench.siting.formulation import kept_choice, make_problem
from bench.siting.landscape import Slice, slices_of
from bench.siting.landscape_figure import landscape_figure
from bench.siting.problem import VARIABLES
from bench.siting.tower_layout import Layout, layout_of


def invented(blocked=-1, aimed=True):
    x, y = np.linspace(2.0, 4.0, 20), np.linspace(1.5, 3.0, 20)
    share = 0.3 + 0.1 * (x[None] - 3.0) ** 2 + 0.1 * (y[:, None] - 2.0) ** 2
    cells = np.full((20, 20), -1)
    cells[:, :8] = blocked
    return Slice("spacing", "standoff", x, y, share, cells, ("drive-through width",), aimed)


def draw(slices, layouts=None):
    with style.applied():
        return landscape_figure(slices, layouts or {}, "Title", "Caption")


def words(axes):
    return [text.get_text().replace("\n", " ") for text in axes.texts]


def test_a_blocked_region_is_hatched_and_named():
    figure = draw([invented(0)])
    axes = figure.axes[0]
    assert words(axes) == ["drive-through width"]
    assert any(getattr(c, "get_hatch", lambda: None)() for c in axes.collections)


def test_nothing_is_named_where_nothing_blocks():
    assert words(draw([invented()]).axes[0]) == []


def test_layouts_outside_a_slice_are_not_marked_in_it():
    inside, outside = Layout(3.0, 1.0, 2.0, 0.0, 0.0), Layout(9.0, 1.0, 2.0, 0.0, 0.0)
    axes = draw([invented()], {"found": inside, "file": outside}).axes[0]
    marked = [line.get_xydata()[0] for line in axes.lines]
    np.testing.assert_allclose(marked, [(3.0, 2.0)])


@pytest.mark.filterwarnings("error")
def test_a_slice_without_any_allowed_layout_is_drawn(text_faults):
    one = invented()
    everywhere = Slice(
        one.across, one.up, one.x, one.y, one.share, np.zeros((20, 20), dtype=int), one.names, True
    )
    assert text_faults(draw([everywhere])) == []


@pytest.mark.slow
def test_the_shipped_bay_s_landscape_overlaps_nowhere(text_faults):
    bay = load_bay()
    problem = make_problem(bay, Predictor("corner", 0.01))
    own = layout_of(bay)
    x = np.array([getattr(own, name) for name in VARIABLES])
    slices = slices_of(problem, x, kept_choice(problem))
    figure = draw(slices, {"found": own, "as the bay file has it": own})
    labels = [text for axes in figure.axes for text in words(axes)]
    assert "drive-through width" in labels
    faults = [fault for fault in text_faults(figure) if not any(w in fault for w in labels)]
    assert faults == []
