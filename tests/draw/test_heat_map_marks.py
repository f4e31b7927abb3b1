import numpy as np
import pytest
from matplotlib.figure import Figure

from bench.draw.marks import draw_contour, is_crossed


@pytest.mark.parametrize(
    ("values", "crossed"),
    [
        ([[1.0, 1.0], [1.0, 3.0]], True),
        ([[1.0, 1.0], [np.nan, 3.0]], True),
        ([[1.0, np.nan], [np.nan, 3.0]], False),
        ([[1.0, 1.0, np.nan, 3.0], [1.0, 1.0, np.nan, 3.0]], False),
        ([[1.0, 3.0]], False),
    ],
)
def test_a_contour_is_told_of_where_one_is_drawn(values, crossed):
    values = np.array(values)
    rows, columns = values.shape
    axes = Figure().add_subplot()
    lines = draw_contour(axes, np.arange(columns) + 1.0, np.arange(rows) + 1.0, values, 2.0, True)
    assert bool(lines) == is_crossed(values, 2.0) == crossed
