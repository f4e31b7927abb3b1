"""Ink that has spread: closed forms of areas, and each point of a face asked one by one."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.errors import TargetError
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.picture import Region
from bench.imaging.raster import reflectance_image
from bench.targets.bend import Bend
from bench.targets.charuco import CharucoDesign
from bench.targets.chessboard import ChessboardDesign
from bench.targets.circles import CirclesDesign
from bench.targets.design import build_target
from bench.targets.dictionary import marker_cells
from bench.targets.drawing import Area, Disc, Drawing
from bench.targets.ink import inked, inked_boundaries
from bench.targets.marker import MarkerDesign
from bench.targets.outline import rectangle

WHITE, BLACK, WALL = 0.85, 0.05, 0.35
# face-on at 1 m: a metre is 2000 px, the plate's middle at the corner of four pixels
CAMERA = Camera(600, 600, 2000.0, 2000.0, 299.5, 299.5)
FACING = Pose(np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 1.0]))
FULL = Region(0, 0, 600, 600)
PER_M2 = 2000.0**2


def face(drawing):
    return reflectance_image(drawing, FACING, CAMERA, FULL)


def plate_with(*shapes):
    plate = Area((rectangle(-0.12, -0.12, 0.12, 0.12),), WHITE, WALL)
    return Drawing(0.24, 0.24, WALL, (plate, *shapes))


@pytest.mark.parametrize("spread", [3e-4, -3e-4])
def test_a_square_s_darkness_grows_by_its_perimeter_and_four_corners(spread):
    square = plate_with(Area((rectangle(-0.05, -0.03, 0.04, 0.08),), BLACK, WHITE))
    change = np.sum(face(inked(square, spread)) - face(square)) / PER_M2
    area = 2.0 * (0.09 + 0.11) * spread + 4.0 * spread**2
    # sums over 9e4 pixels' rounding
    assert_allclose(change, (BLACK - WHITE) * area, rtol=1e-10)


@pytest.mark.parametrize("spread", [3e-4, -3e-4])
def test_a_disc_s_darkness_grows_by_a_ring(spread):
    disc = plate_with(Disc(0.01, 0.02, 0.05, BLACK, WHITE))
    change = np.sum(face(inked(disc, spread)) - face(disc)) / PER_M2
    ring = np.pi * ((0.05 + spread) ** 2 - 0.05**2)
    # arcs enclose their areas to 2e-6, of πr², see test_chords; the ring is a 160th of it
    assert_allclose(change, (BLACK - WHITE) * ring, rtol=2 * 160 * 2e-6)


@pytest.mark.parametrize("spread", [3e-4, -3e-4])
def test_squares_that_touch_at_a_corner_overlap_once(spread):
    # two black squares grow by a rim each; what both cover, a square of twice the spread, is
    # black once. Shrunk ones leave a gap.
    two = plate_with(
        Area((rectangle(-0.05, -0.05, 0.0, 0.0),), BLACK, WHITE),
        Area((rectangle(0.0, 0.0, 0.05, 0.05),), BLACK, WHITE),
    )
    spreaded = face(inked(two, spread))
    change = np.sum(spreaded - face(two)) / PER_M2
    area = 2.0 * (4 * 0.05 * spread + 4.0 * spread**2) - (2.0 * spread) ** 2 * (spread > 0.0)
    assert_allclose(change, (BLACK - WHITE) * area, rtol=1e-10)
    assert np.min(spreaded) > BLACK - 1e-12


def cells_of_charuco(design):
    """Return a function of points that tells black, from tables of cells alone."""
    tables = [marker_cells(design.dictionary, k) for k in range(design.columns * design.rows // 2)]

    def is_black(x, y):
        column = np.floor(x / design.square + design.columns / 2).astype(int)
        row = np.floor(design.rows / 2 - y / design.square).astype(int)
        inside = (column >= 0) & (column < design.columns) & (row >= 0) & (row < design.rows)
        black = inside & ((row + column) % 2 == 0)
        number = (row * design.columns + column) // 2
        across = x - (column + 0.5 - design.columns / 2) * design.square
        down = (design.rows / 2 - row - 0.5) * design.square - y
        count = len(tables[0])
        i = np.floor((across / design.marker + 0.5) * count).astype(int)
        j = np.floor((down / design.marker + 0.5) * count).astype(int)
        marked = inside & ~black & (i >= 0) & (i < count) & (j >= 0) & (j < count)
        table = np.array(tables)
        black[marked] = ~table[number[marked], j[marked], i[marked]]
        return black

    return is_black


def cells_of_marker(design):
    table = np.asarray(marker_cells(design.dictionary, design.marker_id))

    def is_black(x, y):
        i = np.floor((x / design.size + 0.5) * len(table)).astype(int)
        j = np.floor((0.5 - y / design.size) * len(table)).astype(int)
        inside = (i >= 0) & (i < len(table)) & (j >= 0) & (j < len(table))
        black = np.zeros(x.shape, dtype=bool)
        black[inside] = ~table[j[inside], i[inside]]
        return black

    return is_black


CHARUCO = CharucoDesign(columns=5, rows=4, square=0.045, marker=0.033)
# id 17 has white cells and black ones that touch at corners alone, within its patches too
MARKER = MarkerDesign(marker_id=17, size=0.16)


@pytest.mark.parametrize("spread", [5e-4, -5e-4])
@pytest.mark.parametrize(
    ("design", "cells"), [(CHARUCO, cells_of_charuco), (MARKER, cells_of_marker)]
)
def test_every_point_is_black_where_the_square_around_it_says_so(design, cells, spread):
    target = build_target(design)
    is_black = cells(design)
    image = face(inked(target.drawing, spread))
    # All boundaries lie on multiples of half a millimetre, as do those of pixels, so that each
    # pixel is of one shade, which its middle shows.
    at = (np.arange(600) + 0.5) / 2000.0 - 0.15
    x, y = np.meshgrid(at, -at)
    near = [
        is_black(x + du * abs(spread), y + dv * abs(spread)) for du in (-1, 1) for dv in (-1, 1)
    ]
    black = np.any(near, axis=0) if spread > 0.0 else np.all(near, axis=0)
    half = 0.5 * np.array([target.drawing.width, target.drawing.height])
    on_plate = (np.abs(x) < half[0]) & (np.abs(y) < half[1])
    expected = np.where(on_plate, np.where(black, BLACK, WHITE), WALL)
    assert_allclose(image, expected, atol=1e-9)


def test_no_spread_is_the_drawing_itself():
    drawing = build_target(MARKER).drawing
    assert inked(drawing, 0.0) is drawing


def test_circles_grow_and_a_chessboard_s_black_is_nowhere_darker_than_black():
    circles = build_target(CirclesDesign()).drawing
    assert [d.radius for d in inked(circles, 1e-4).shapes[1:]] == pytest.approx(
        [d.radius + 1e-4 for d in circles.shapes[1:]]
    )
    board = build_target(ChessboardDesign(columns=5, rows=4)).drawing
    for spread in (2e-4, -2e-4):
        image = face(inked(board, spread))
        assert np.min(image) > BLACK - 1e-12
        assert np.max(image) < WHITE + 1e-12


@pytest.mark.parametrize(
    ("design", "spread", "words"),
    [
        (MARKER, 0.0101, "finest part, 20 mm"),
        (MARKER, -0.0101, "finest part, 20 mm"),
        (CirclesDesign(), -0.0076, "finest part"),
        (CirclesDesign(diameter=0.027), 0.7e-3, "finest part, 1.28427 mm"),
        (MARKER, float("nan"), "finest part"),
        (MarkerDesign(size=0.16, quiet_zone=0.001), 0.0015, "plate's edge, 1 mm"),
    ],
)
def test_a_spread_beyond_what_the_drawing_bears_is_refused(design, spread, words):
    with pytest.raises(TargetError, match=words) as refused:
        inked(build_target(design).drawing, spread)
    assert "\n" not in str(refused.value)


def test_a_slanted_side_is_refused():
    triangle = Area((np.array([[0.0, 0.0], [0.05, 0.0], [0.02, 0.03]]),), BLACK, WHITE)
    with pytest.raises(TargetError, match="upright and level"):
        inked(plate_with(triangle), 1e-4)


def test_ink_keeps_a_bend():
    drawing = replace(build_target(MARKER).drawing, bend=Bend(across=1e-4))
    assert inked(drawing, 1e-4).bend == drawing.bend


@pytest.mark.parametrize("spread", [1e-4, -1e-4])
def test_boundaries_without_a_drawing_are_the_drawing_s(spread):
    for design in (MarkerDesign(), CirclesDesign()):
        drawing = build_target(design).drawing
        grown = inked(drawing, spread)
        expected = (*grown.segments(), *grown.discs())
        for found, own in zip(inked_boundaries(drawing, spread), expected, strict=True):
            # the same segments, in another order where corners meet
            rows = np.round(np.column_stack((found, np.zeros(len(found)))) * 1e9)
            there = np.round(np.column_stack((own, np.zeros(len(own)))) * 1e9)
            assert sorted(map(tuple, rows)) == sorted(map(tuple, there))


def test_boundaries_of_too_much_ink_are_refused_as_the_drawing_is():
    with pytest.raises(TargetError, match="finest part"):
        inked_boundaries(build_target(MarkerDesign()).drawing, 1.0)
