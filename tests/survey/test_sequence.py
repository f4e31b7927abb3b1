import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.survey.sequence import cell_shift, point, recurrence_steps


def test_steps_in_one_dimension_are_the_golden_ratio():
    assert_allclose(recurrence_steps(1), [(np.sqrt(5) - 1) / 2], atol=1e-14)


def test_steps_in_two_dimensions_are_the_plastic_number():
    # Roberts 2018: g = 1.32471795724474602596 for d = 2
    g = 1.32471795724474602596
    assert_allclose(recurrence_steps(2), [1 / g, 1 / g**2], atol=1e-14)


@pytest.mark.parametrize("n", [16, 300])
def test_points_fill_each_dimension_more_evenly_than_chance(n):
    steps, shift = recurrence_steps(6), cell_shift(1, "cell", 6)
    points = np.array([point(shift, steps, i) for i in range(n)])
    assert ((points >= 0.0) & (points < 1.0)).all()
    for coordinate in points.T:
        found = np.sort(coordinate)
        # star discrepancy; Kolmogorov: random points exceed 0.57/√n in nine of ten draws, and
        # a recurrence with a badly approximable step stays within a small multiple of log(n)/n
        steps_up = np.arange(1, n + 1) / n
        discrepancy = max((steps_up - found).max(), (found - steps_up + 1 / n).max())
        assert discrepancy < 2.0 * (1.0 + np.log(n)) / n


def test_cells_have_shifts_of_their_own():
    assert not np.allclose(cell_shift(1, "a", 6), cell_shift(1, "b", 6))
    assert not np.allclose(cell_shift(1, "a", 6), cell_shift(2, "a", 6))
    assert np.array_equal(cell_shift(1, "a", 6), cell_shift(1, "a", 6))
