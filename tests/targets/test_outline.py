"""Cell patterns become rings: painted side on the left, no inner edges, corners only."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis.extra.numpy import array_shapes, arrays
from scipy import ndimage

from bench.targets.outline import cell_rings

patterns = arrays(bool, array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=9))


def signed_area(ring) -> float:
    x, y = ring.T.astype(float)
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def inside(ring, x, y):
    """Winding number at cell centres, which no ring passes through."""
    total = np.zeros(x.shape, dtype=int)
    for (x0, y0), (x1, y1) in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        if x0 == x1:  # only upright sides cross the ray to the right
            low, high = sorted((y0, y1))
            total += np.sign(y1 - y0) * ((x0 > x) & (low < y) & (y < high))
    return total


@settings(max_examples=300)
@given(cells=patterns)
def test_rings_wind_once_around_true_cells_and_never_around_others(cells):
    rows, columns = cells.shape
    x, y = np.meshgrid(np.arange(columns) + 0.5, rows - np.arange(rows) - 0.5)
    total = sum((inside(r, x, y) for r in cell_rings(cells)), np.zeros(cells.shape, dtype=int))
    assert np.array_equal(total, cells.astype(int))


@settings(max_examples=300)
@given(cells=patterns)
def test_there_is_one_outer_ring_for_each_patch_joined_by_sides_and_the_areas_add_up(cells):
    areas = [signed_area(ring) for ring in cell_rings(cells)]
    patches = ndimage.label(cells)[1]  # joined by sides, not by corners
    assert sum(a > 0 for a in areas) == patches
    # a hole is a patch of other cells, joined by sides or corners, that the edge doesn't reach
    others = ndimage.label(np.pad(~cells, 1, constant_values=True), np.ones((3, 3)))[1]
    assert sum(a < 0 for a in areas) == others - 1
    assert sum(areas) == cells.sum()


@settings(max_examples=200)
@given(cells=patterns)
def test_every_vertex_is_a_corner_and_sides_meet_at_right_angles(cells):
    for ring in cell_rings(cells):
        side = np.roll(ring, -1, axis=0) - ring
        assert np.all(np.count_nonzero(side, axis=1) == 1)
        assert np.all(np.sum(side * np.roll(side, -1, axis=0), axis=1) == 0)


def test_a_single_cell_is_a_square_run_anticlockwise():
    (ring,) = cell_rings(np.array([[False, True], [False, False]]))
    assert sorted(map(tuple, ring.tolist())) == [(1, 1), (1, 2), (2, 1), (2, 2)]
    assert signed_area(ring) == 1.0


def test_neighbouring_cells_become_one_ring_without_an_inner_edge():
    (ring,) = cell_rings(np.array([[True, True, True]]))
    assert len(ring) == 4
    assert signed_area(ring) == 3.0


@pytest.mark.parametrize("cells", [np.eye(2, dtype=bool), np.eye(2, dtype=bool)[::-1]])
def test_cells_that_touch_at_a_corner_stay_two_squares(cells):
    rings = cell_rings(cells)
    assert [len(r) for r in rings] == [4, 4]


def test_a_hole_runs_clockwise():
    cells = np.ones((3, 3), dtype=bool)
    cells[1, 1] = False
    assert sorted(signed_area(r) for r in cell_rings(cells)) == [-1.0, 9.0]


def test_no_cells_have_no_rings():
    assert cell_rings(np.zeros((3, 3), dtype=bool)) == ()
