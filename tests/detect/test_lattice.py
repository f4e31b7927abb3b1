import numpy as np
import pytest

from bench.detect.lattice import upright_order
from bench.targets.design import CirclesDesign, build_target


def pattern(columns, rows, *, symmetric=False):
    design = CirclesDesign(columns=columns, rows=rows, symmetric=symmetric)
    return build_target(design).points


def picture(points, roll_deg=0.0):
    """Pixels of points seen from their front: v runs down, and the far side is smaller."""
    a = np.radians(roll_deg)
    x, y = (points @ np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]).T).T
    depth = 1.0 + 0.5 * x
    return 1000.0 * np.column_stack((x / depth, -y / depth)) + (320.0, 240.0)


@pytest.mark.parametrize(
    ("layout", "symmetric"),
    [((4, 11), False), ((4, 10), False), ((7, 5), True), ((5, 5), True), ((6, 4), True)],
)
@pytest.mark.parametrize("roll_deg", [0.0, 30.0, -40.0])
def test_rows_and_columns_from_either_end_are_put_in_order(layout, symmetric, roll_deg):
    points = pattern(*layout, symmetric=symmetric)
    pixels = picture(points, roll_deg)
    columns, rows = layout
    index = np.arange(len(points)).reshape(rows, columns)
    for shuffled in (index, index[::-1], index[:, ::-1], index[::-1, ::-1]):
        given = pixels[shuffled.ravel()]
        order = upright_order(points, given, layout)
        np.testing.assert_array_equal(given[order], pixels)


def test_rows_exchanged_in_pairs_are_put_in_order():
    points = pattern(4, 10)
    pixels = picture(points, 20.0)
    given = pixels.reshape(5, 2, 4, 2)[:, ::-1].reshape(-1, 2)[::-1]
    np.testing.assert_array_equal(given[upright_order(points, given, (4, 10))], pixels)


def test_a_square_grid_may_come_by_columns():
    points = pattern(5, 5, symmetric=True)
    pixels = picture(points, -30.0)
    given = pixels.reshape(5, 5, 2).transpose(1, 0, 2).reshape(-1, 2)
    np.testing.assert_array_equal(given[upright_order(points, given, (5, 5))], pixels)


@pytest.mark.parametrize(
    ("roll_deg", "turn"), [(89.0, 0), (91.0, 180), (-120.0, 180), (180.0, 180)]
)
def test_beyond_a_quarter_turn_a_symmetric_grid_counts_as_turned_by_half(roll_deg, turn):
    points = pattern(7, 5, symmetric=True)
    pixels = picture(points, roll_deg)
    expected = pixels[::-1] if turn else pixels
    np.testing.assert_array_equal(pixels[upright_order(points, pixels, (7, 5))], expected)


def test_an_asymmetric_grid_with_an_odd_number_of_rows_tells_itself():
    points = pattern(4, 11)
    for roll_deg in (100.0, 180.0, -135.0):
        pixels = picture(points, roll_deg)
        np.testing.assert_array_equal(pixels[upright_order(points, pixels, (4, 11))], pixels)


def test_points_without_a_plane_keep_their_order():
    points = pattern(4, 11)
    pixels = np.repeat(np.arange(44.0)[:, None], 2, axis=1)
    np.testing.assert_array_equal(upright_order(points, pixels, (4, 11)), np.arange(44))
