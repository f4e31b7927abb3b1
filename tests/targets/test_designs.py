"""What a design refuses, and how plainly it says so; the drawing's own rules."""

import math

import numpy as np
import pytest

from bench.errors import TargetError
from bench.targets.design import (
    CharucoDesign,
    ChessboardDesign,
    CirclesDesign,
    GridDesign,
    MarkerDesign,
    build_target,
)
from bench.targets.drawing import Area, Disc, Drawing


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: MarkerDesign(size=0.0), "size must be finite and positive, got 0 m"),
        (lambda: MarkerDesign(size=-0.2), "size must be .* positive, got -0.2 m"),
        (lambda: MarkerDesign(size=math.nan), "size must be finite"),
        (lambda: MarkerDesign(size=math.inf), "size must be finite"),
        (lambda: MarkerDesign(size=1e300), "size must be at most 10 m, got 1e\\+300 m"),
        (lambda: CirclesDesign(columns=10**9), "columns must be at most 1000, got 1000000000"),
        (lambda: ChessboardDesign(rows=9999), "rows must be at most 1000, got 9999"),
        (lambda: MarkerDesign(marker_id=600), "marker id 600: .* ids 0 to 586"),
        (lambda: MarkerDesign(dictionary="36h13"), "'36h13'; did you mean"),
        (lambda: MarkerDesign(quiet_zone=-0.01), "quiet_zone must be .* at least 0"),
        (lambda: MarkerDesign(plate=(0.3, math.nan)), "plate height must be finite"),
        (lambda: MarkerDesign(white=1.2), "white must be a reflectance, 0 to 1, got 1.2"),
        (lambda: MarkerDesign(background=math.nan), "background must be a reflectance"),
        (lambda: MarkerDesign(white=0.3, black=0.3), "black must reflect less than white"),
        (lambda: GridDesign(columns=0), "columns must be at least 1, got 0"),
        (lambda: GridDesign(rows=-1), "rows must be at least 1"),
        (lambda: GridDesign(gap=-0.001), "gap must be finite and at least 0"),
        (lambda: GridDesign("tag16h5", 6, 5, first_id=1), "ids 1 to 30: .*16h5 has ids 0 to 29"),
        (lambda: CharucoDesign(columns=1), "columns must be at least 2"),
        (lambda: CharucoDesign(marker=0.04), "smaller than its square, got 40 mm in 40 mm"),
        (lambda: CharucoDesign(columns=20, rows=10), "ids 0 to 99: DICT_4X4_50 has ids 0 to 49"),
        (lambda: CirclesDesign(rows=1), "rows must be at least 2"),
        (lambda: CirclesDesign(symmetric=True, diameter=0.02), "got 20 mm for 20 mm"),
        # diagonal neighbours of an asymmetric grid are √2 pitches apart: 28.28 mm
        (lambda: CirclesDesign(diameter=0.0283), "got 28.3 mm for 28.2843 mm"),
    ],
)
def test_a_design_that_contradicts_itself_is_refused_in_one_line(make, says):
    with pytest.raises(TargetError, match=says) as refused:
        make()
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    "design",
    [
        MarkerDesign(size=0.2, plate=(0.249, 0.3)),
        GridDesign(plate=(0.3, 0.18)),
        CharucoDesign(plate=(0.28, 0.2)),
        CirclesDesign(plate=(0.1, 0.3)),
    ],
)
def test_a_plate_too_small_for_pattern_and_quiet_zone_names_both_sizes(design):
    with pytest.raises(TargetError, match=r"plate of [\d.]+ x [\d.]+ mm is smaller than .* mm$"):
        build_target(design)


def test_the_message_about_the_plate_gives_the_numbers():
    with pytest.raises(TargetError) as refused:
        build_target(MarkerDesign(size=0.2, plate=(0.22, 0.3)))
    assert str(refused.value) == (
        "plate of 220 x 300 mm is smaller than the pattern with its quiet zone of 25 mm, "
        "250 x 250 mm"
    )


def test_a_plate_exactly_as_large_as_needed_is_taken():
    # 0.1 + 2 * 0.0125 in floating point differs from 0.125 in its last bits at most
    assert build_target(MarkerDesign(size=0.1, plate=(0.125, 0.125))).drawing.width == 0.125


def test_the_quiet_zone_can_be_set_and_can_be_nothing():
    assert build_target(MarkerDesign(quiet_zone=0.05)).drawing.width == pytest.approx(0.3)
    assert build_target(MarkerDesign(quiet_zone=0.0)).drawing.height == pytest.approx(0.2)


@pytest.mark.parametrize(
    "design", [MarkerDesign(), GridDesign(), CharucoDesign(), CirclesDesign()], ids=repr
)
def test_a_sum_of_steps_over_the_shapes_equals_painting_them(design, reflectance):
    drawing = build_target(design).drawing
    rng = np.random.default_rng(5)
    half = 0.6 * np.array([drawing.width, drawing.height])
    points = rng.uniform(-half, half, (2000, 2))
    total = np.full(len(points), drawing.background)
    single = [
        Drawing(drawing.width, drawing.height, 0.0, (_step(shape),)) for shape in drawing.shapes
    ]
    for shape, alone in zip(drawing.shapes, single, strict=True):
        total += (shape.reflectance - shape.below) * reflectance(alone, points)
    # three sums of numbers under 1
    np.testing.assert_allclose(total, reflectance(drawing, points), rtol=0, atol=1e-15)


def _step(shape):
    """Return the shape as its own indicator: 1 inside, 0 outside."""
    if isinstance(shape, Area):
        return Area(shape.rings, 1.0, 0.0)
    return Disc(shape.x, shape.y, shape.radius, 1.0, 0.0)


def test_edges_and_circles_of_a_drawing_carry_their_steps():
    edges, steps = build_target(MarkerDesign()).drawing.segments()
    assert len(edges) == len(steps)
    # first the plate, then the black square
    assert steps[:8] == pytest.approx([0.5] * 4 + [-0.8] * 4)
    circles, disc_steps = build_target(CirclesDesign()).drawing.discs()
    assert circles.shape == (44, 3)
    assert disc_steps == pytest.approx(np.full(44, -0.8))


def test_a_drawing_without_size_or_with_impossible_paint_is_refused():
    with pytest.raises(TargetError, match="plate must have a size"):
        Drawing(0.0, 1.0, 0.5, ())
    with pytest.raises(TargetError, match="reflectance must lie in 0 to 1"):
        Drawing(1.0, 1.0, 0.5, (Disc(0.0, 0.0, 0.1, 1.5, 0.5),))
