"""Names on pictures: none on another, on a line, or outside."""

import itertools

import numpy as np
import pytest

from bench.draw import style
from bench.draw.labels import Labels

SIZE = (6.0, 4.0)


@pytest.fixture
def axes():
    axes = style.new_figure(*SIZE).add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set(xlim=(0.0, 600.0), ylim=(400.0, 0.0))
    return axes


def crossed(a, b):
    return bool(np.all((a[0] < b[1]) & (b[0] < a[1])))


def test_names_of_one_place_lie_beside_each_other(axes):
    labels = Labels(axes, SIZE)
    boxes = [labels.put((300.0, 200.0), f"front left {k}") for k in range(8)]
    assert not any(crossed(a, b) for a, b in itertools.combinations(boxes, 2))
    assert all(np.all(box[0] >= 0.0) and np.all(box[1] <= SIZE) for box in boxes)


def test_no_name_lies_on_a_line(axes):
    labels = Labels(axes, SIZE)
    line = np.array([(0.0, 215.0), (600.0, 215.0)])  # just below the place, as pixels run
    labels.avoid(line)
    low, high = labels.put((300.0, 200.0), "rear right 100 %")
    # pixels run down, inches up: 215 of 400 is 1.85 in above the foot
    assert low[1] >= 1.85 or high[1] <= 1.85


def test_at_the_picture_s_corner_names_stay_inside(axes):
    low, high = Labels(axes, SIZE).put((599.0, 399.0), "right tower\nnot wholly in the picture")
    assert np.all(low >= 0.0)
    assert np.all(high <= SIZE)
