import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.draw.cell_grid import CellGrid, Facet, choose, edges, is_stretched


def test_edges_lie_midway_and_mirror_outward():
    assert_allclose(edges(np.array([1.0, 2.0, 4.0])), [0.5, 1.5, 3.0, 5.0])


@pytest.mark.parametrize(
    ("values", "stretched"),
    [
        ([2.5, 3.0, 4.0, 8.0, 20.0], True),
        ([2.0, 3.0, 4.0, 6.0], False),
        ([0.0, 1.0, 9.0], False),
        ([2.0, 9.0], False),
        ([2.0], False),
    ],
)
def test_an_axis_is_logarithmic_where_steps_differ_much(values, stretched):
    assert is_stretched(np.array(values)) is stretched


@pytest.mark.parametrize(("value", "expected"), [(3.0, [1.5, 4.5]), (0.0, [-0.5, 0.5])])
def test_a_lone_cell_has_a_width(value, expected):
    assert_allclose(edges(np.array([value])), expected)


def test_choice_keeps_both_ends_and_at_most_so_many():
    assert choose([1.0, 2.0], 6) == [1.0, 2.0]
    chosen = choose(list(range(20)), 6)
    assert len(chosen) == 6
    assert (chosen[0], chosen[-1]) == (0, 19)
    assert choose([1.0, 2.0], 1) == [1.0]


def test_values_land_in_their_cell_whatever_the_order_of_rows(make_tables):
    _, cells = make_tables(ranges=(1.0, 2.0, 5.0), turns=(0.0, 30.0), trials=4)
    grid = CellGrid.of(cells.sample(fraction=1.0, shuffle=True, seed=3))
    array = grid.array(Facet("apriltag/ippe-lm", 0.0), "range_m")
    assert_allclose(array, [[1.0, 2.0, 5.0]] * 2)
    turns = grid.array(Facet("apriltag/ippe-lm", 0.0), "turn_deg")
    assert_allclose(turns[:, 1], [0.0, 30.0])


def test_a_missing_cell_and_a_null_become_nan(make_tables):
    _, cells = make_tables(
        ranges=(1.0, 2.0), turns=(0.0, 30.0), trials=4, lost=lambda p, r, t: r == 2.0 and t == 0.0
    )
    grid = CellGrid.of(cells[1:])
    array = grid.array(Facet(grid.pipelines[0], 0.0), "rms_rot_deg")
    assert np.isnan(array[0]).all()
    assert np.isfinite(array[1]).all()


def test_angle_axis_is_called_tilt_only_where_turn_is_the_tilt(make_tables):
    labels = {
        pitches + turns: CellGrid.of(
            make_tables(ranges=(2.0,), turns=turns, pitches=pitches, trials=2)[1]
        ).turn_label
        for pitches, turns in [((0.0,), (0.0, 30.0)), ((0.0,), (-30.0, 30.0)), ((20.0,), (0.0,))]
    }
    assert list(labels.values()) == ["tilt (deg)", "turn (deg)", "turn (deg)"]
