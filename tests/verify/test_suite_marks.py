"""Marks on a face against painting by hand, point by point."""

import numpy as np
import pytest

from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.picture import Region
from bench.imaging.raster import reflectance_image
from bench.targets.design import CirclesDesign, MarkerDesign, build_target
from bench.targets.drawing import Area
from bench.verify.marks import clip_ring, cluttered, cover, hide, scratch, soil, strip

# 1 mm a pixel, face-on, the target's centre at the picture's
CAMERA = Camera(320, 320, 1000.0, 1000.0, 159.5, 159.5)
FACING = Pose(np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 1.0]))
FULL = Region(0, 0, 320, 320)


def inside(polygon, xy):
    """Tell which points (N, 2) lie in a convex anticlockwise polygon."""
    start, along = polygon, np.roll(polygon, -1, axis=0) - polygon
    side = along[:, 0] * (xy[:, 1, None] - start[:, 1]) - along[:, 1] * (
        xy[:, 0, None] - start[:, 0]
    )
    return np.all(side >= 0.0, axis=1)


def painted(drawing, polygons):
    """Return the picture of `drawing` with polygons painted over it, point-sampled 8 x 8."""
    fine = 8
    image = reflectance_image(drawing, FACING, CAMERA, FULL, fine)
    step = np.arange(320 * fine)
    x = ((step + 0.5) / fine - 160.0) * 1e-3
    xy = np.column_stack((np.tile(x, len(x)), np.repeat(-x, len(x))))
    for polygon, reflectance in polygons:
        image[inside(polygon, xy).reshape(image.shape)] = reflectance
    return image.reshape(320, fine, 320, fine).mean(axis=(1, 3))


@pytest.mark.slow
@pytest.mark.parametrize(
    "design",
    [MarkerDesign(marker_id=7), CirclesDesign(columns=4, rows=5, pitch=0.03, diameter=0.02)],
    ids=["marker", "circles"],
)
def test_covering_is_painting_over(design):
    drawing = build_target(design).drawing
    rng = np.random.default_rng(5)
    polygons = [
        (strip(-0.02, 0.015, 0.4, 0.2), 0.6),  # over the plate's border, too
        (strip(0.0, 0.003, 2.0, 0.07) + 0.01, 0.7),
        (strip(-0.05, 0.01, 1.2, 0.05) + rng.uniform(-0.02, 0.02, 2), 0.2),
    ]
    covered = drawing
    for polygon, reflectance in polygons:
        covered = cover(covered, polygon, reflectance)
    exact = reflectance_image(covered, FACING, CAMERA, FULL)
    by_hand = painted(drawing, polygons)
    # A straight edge through a pixel of 8 x 8 samples is off by up to half a sample's width,
    # 1/16 of a pixel, times a step of up to 0.8; where edges meet or a stripe is 3 px wide, two
    # or three of them.
    assert np.max(np.abs(exact - by_hand)) < 3 * 0.8 / 16
    # and it averages out
    assert abs(np.mean(exact - by_hand)) < 1e-4


def test_clipping_keeps_the_winding_and_the_area():
    ring = np.array(
        [
            [0.0, 0.0],
            [4.0, 0.0],
            [4.0, 4.0],
            [3.0, 4.0],
            [3.0, 1.0],
            [1.0, 1.0],
            [1.0, 4.0],
            [0.0, 4.0],
        ]
    )  # a U: what is left of it above y = 2 falls apart
    window = np.array([[-1.0, 2.0], [5.0, 2.0], [5.0, 3.0], [-1.0, 3.0]])

    def area(points):
        x, y = points.T
        return 0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)

    assert area(clip_ring(ring, window)) == pytest.approx(2.0)
    assert area(clip_ring(ring[::-1], window)) == pytest.approx(-2.0)
    assert len(clip_ring(ring, window + (0.0, 10.0))) == 0


def test_hiding_a_share_hides_that_share():
    target = build_target(MarkerDesign())
    hidden = hide(target, target.drawing, 0.25, np.random.default_rng(1))
    (strip_,) = [s for s in hidden.shapes[len(target.drawing.shapes) :] if s.below == 0.35]
    assert isinstance(strip_, Area)
    # the strip's edge is a quarter of the width from one side, as far as its slant allows:
    # at most half the pattern's width times the tangent of 0.15
    changed = reflectance_image(hidden, FACING, CAMERA, FULL) != reflectance_image(
        target.drawing, FACING, CAMERA, FULL
    )
    pattern = changed[60:260, 60:260]
    assert 0.15 < pattern.mean() < 0.35


def test_scratches_and_dirt_stay_on_the_plate():
    target = build_target(MarkerDesign())
    rng = np.random.default_rng(2)
    soiled = soil(target, scratch(target, target.drawing, 5, rng), 5, rng)
    image = reflectance_image(soiled, FACING, CAMERA, FULL)
    clean = reflectance_image(target.drawing, FACING, CAMERA, FULL)
    beyond = clean == 0.35
    assert np.max(np.abs(image - clean)[beyond]) < 1e-12  # sums of steps round
    assert np.mean(np.abs(image - clean)[~beyond] > 0.05) > 0.002


def test_an_empty_picture_has_nothing_of_the_target():
    target = build_target(MarkerDesign())
    bare = cluttered(target.drawing, 0, np.random.default_rng(3))
    assert np.all(reflectance_image(bare, FACING, CAMERA, FULL) == 0.35)
    full = cluttered(target.drawing, 8, np.random.default_rng(3))
    assert np.ptp(reflectance_image(full, FACING, CAMERA, FULL)) > 0.1
