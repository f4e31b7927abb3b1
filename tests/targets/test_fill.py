import dataclasses

import numpy as np
import pytest

from bench.errors import TargetError
from bench.targets.design import build_target
from bench.targets.drawing import Disc
from bench.targets.fill import Plate, design_on_plate
from bench.targets.spec import design_from_spec

PLATE = Plate(0.26, 0.26)
FILLING = [
    "marker:36h11:7",
    "marker:4x4_50:0",
    "grid:36h11:2x2",
    "grid:36h11:4x4:10",
    "grid:16h5:3x1",
    "charuco:4x4_50:5x5",
    "charuco:36h11:7x4:3",
    "circles:5x5:symmetric",
    "circles:3x7",
    "circles:7x4:symmetric",
]
STEP_M = 1e-4


def pattern_box(target):
    """Return left, low, right, high of the pattern's paint, metres."""
    points = []
    for shape in target.drawing.shapes[1:]:
        if isinstance(shape, Disc):
            points += [
                (shape.x - shape.radius, shape.y - shape.radius),
                (shape.x + shape.radius, shape.y + shape.radius),
            ]
        else:
            points += [point for ring in shape.rings for point in ring]
    return np.concatenate((np.min(points, axis=0), np.max(points, axis=0)))


def margin(design):
    """Return the white that the pattern keeps around it, by what each design says of itself."""
    bare = dataclasses.replace(design, plate=None)
    target = build_target(bare)
    box = pattern_box(target)
    return 0.5 * (target.drawing.width - (box[2] - box[0]))


@pytest.mark.parametrize("plate", [PLATE, Plate(0.4, 0.25), Plate(0.1, 0.3)])
@pytest.mark.parametrize("spec", FILLING)
def test_drawing_fills_the_plate_as_far_as_its_white_margin(spec, plate):
    design = design_on_plate(spec, plate)
    target = build_target(design)
    assert (target.drawing.width, target.drawing.height) == plate.size
    left, low, right, high = pattern_box(target)
    rooms = [
        plate.width - (right - left) - 2.0 * margin(design),
        plate.height - (high - low) - 2.0 * margin(design),
    ]
    # Sizes are rounded down to STEP_M; a pattern is at most 20 of the rounded lengths wide (an
    # asymmetric grid of 7 columns), gaps and margins included.
    assert min(rooms) > -1e-9
    assert min(rooms) < 20 * STEP_M


def test_marker_with_a_margin_of_one_cell_is_eight_tenths_of_its_plate():
    # tag36h11 is 8 cells wide, frame included: 8 of 10 cells of the plate
    assert design_on_plate("marker:36h11:0", PLATE).size == 0.208


def test_markers_of_a_grid_stand_as_if_each_had_a_plate_of_its_own():
    quarter = design_on_plate("marker:36h11:0", Plate(0.13, 0.13))
    grid = design_on_plate("grid:36h11:2x2", PLATE)
    assert grid.size == quarter.size == 0.104
    assert grid.gap == pytest.approx(2.0 * grid.size / 8)


def test_chessboard_marker_keeps_one_of_its_cells_from_the_black_squares():
    board = design_on_plate("charuco:4x4_50:5x5", PLATE)
    cell = board.marker / 6  # 4 x 4 bits and the frame
    assert board.square - board.marker == pytest.approx(2.0 * cell)


@pytest.mark.parametrize("spec", ["circles:5x5:symmetric", "circles:3x7"])
def test_circles_are_as_wide_as_the_white_between_them(spec):
    design = design_on_plate(spec, PLATE)
    points = build_target(design).points
    apart = np.linalg.norm(points[1:] - points[0], axis=1).min()
    assert design.diameter == pytest.approx(0.5 * apart)


def test_drawing_with_sizes_keeps_them_on_the_plate():
    design = design_on_plate("grid:36h11:2x2:80 mm:20 mm", PLATE)
    assert (design.size, design.gap, design.plate) == (0.08, 0.02, (0.26, 0.26))


def test_plate_takes_its_reflectances_from_a_target():
    design = dataclasses.replace(
        design_from_spec("charuco:4x4_50:5x5:40 mm:30 mm"),
        plate=(0.3, 0.25),
        white=0.7,
        black=0.1,
        background=0.2,
    )
    plate = Plate.of(build_target(design))
    assert plate == Plate(0.3, 0.25, 0.7, 0.1, 0.2)
    marker = build_target(design_on_plate("marker:36h11:0", plate))
    assert Plate.of(marker) == plate


@pytest.mark.parametrize(
    ("spec", "message"),
    [
        ("grid:36h11:2x2:200 mm:20 mm", "plate of 260 x 260 mm is smaller than the pattern"),
        ("circles:300x300:symmetric", "doesn't fit the plate of 260 x 260 mm: the pitch would"),
        (
            "marker:36h11",
            "must have the form marker:DICTIONARY:ID, which fills the plate, or "
            "marker:DICTIONARY:ID:SIZE",
        ),
        ("chessboard:9x6", "the kind must be marker or grid or charuco or circles"),
        ("marker:36h11:600", "ids 0 to 586"),
        ("marker:nonsense:0", "no marker dictionary is called 'nonsense'"),
        ("grid:36h11:0x2", "columns must be at least 1"),
        ("charuco:4x4_50:1x5", "columns must be at least 2"),
        ("marker:36h11:0:-200 mm", "must be finite and positive"),
        ("circles:5x5:round", "pattern must be asymmetric or symmetric"),
        ("circles:5xfive", "ROWS must be a whole number"),
    ],
)
def test_line_that_fits_no_plate_is_refused_in_one_line(spec, message):
    with pytest.raises(TargetError, match=message.replace("(", r"\(")) as caught:
        design_on_plate(spec, PLATE)
    assert f"target '{spec}'" in str(caught.value)
    assert str(caught.value).count("target '") == 1
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("sides", [(0.0, 0.2), (0.2, -1.0), (float("nan"), 0.2)])
def test_plate_without_a_size_is_refused(sides):
    with pytest.raises(TargetError, match=r"plate (width|height) must be finite"):
        Plate(*sides)
