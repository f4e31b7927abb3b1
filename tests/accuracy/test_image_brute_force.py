"""Coverage against brute force that shares no code with the rasteriser.

Points drawn at random in each cell of a grid in a pixel are taken back through the lens to a
ray, to the target's plane, and asked for the topmost shape that holds them.
"""

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from bench.geometry.camera import Camera, ray
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.raster import reflectance_image
from bench.imaging.region import region_of
from bench.targets.drawing import Area, Disc, Drawing
from bench.targets.outline import rectangle

GRID = 24
LENS = Camera(1600, 1200, 1100.0, 1095.0, 801.3, 597.8, (-0.24, 0.09, 1.5e-3, -9e-4, -0.02))
TRIANGLE = np.array([[0.02, -0.08], [0.11, -0.05], [0.05, 0.0]])
DISC = Disc(0.06, 0.05, 0.03, 0.0, 0.9)
DRAWING = Drawing(
    0.24,
    0.2,
    0.3,
    (
        Area((rectangle(-0.12, -0.1, 0.12, 0.1),), 0.9, 0.3),
        Area(
            (rectangle(-0.1, -0.02, -0.01, 0.08), rectangle(-0.07, 0.01, -0.04, 0.05)[::-1]),
            0.0,
            0.9,
        ),
        Area((TRIANGLE,), 0.5, 0.9),
        DISC,
    ),
)
LARGEST_STEP = 0.9


def painted(x, y):
    """Return the reflectance of the topmost shape at points x, y."""
    value = np.full(x.shape, 0.3)
    value[(np.abs(x) < 0.12) & (np.abs(y) < 0.1)] = 0.9
    in_frame = (x > -0.1) & (x < -0.01) & (y > -0.02) & (y < 0.08)
    in_hole = (x > -0.07) & (x < -0.04) & (y > 0.01) & (y < 0.05)
    value[in_frame & ~in_hole] = 0.0
    in_triangle = np.ones(x.shape, dtype=bool)
    for (x0, y0), (x1, y1) in zip(TRIANGLE, np.roll(TRIANGLE, -1, axis=0), strict=True):
        in_triangle &= (x1 - x0) * (y - y0) - (y1 - y0) * (x - x0) > 0.0
    value[in_triangle] = 0.5
    value[np.hypot(x - DISC.x, y - DISC.y) < DISC.radius] = 0.0
    return value


def sampled(pixels, pose, rng):
    """Return the mean reflectance over GRID x GRID points in each pixel (N, 2)."""
    cell = np.stack(np.meshgrid(np.arange(GRID), np.arange(GRID)), axis=-1)
    offset = (cell + rng.random((len(pixels), GRID, GRID, 2))) / GRID - 0.5
    direction = ray(pixels[:, None, None] + offset, LENS)
    normal = pose.rotation[:, 2]
    depth = (normal @ pose.translation) / (direction @ normal)
    on_face = (direction * depth[..., None] - pose.translation) @ pose.rotation
    return painted(on_face[..., 0], on_face[..., 1]).mean(axis=(1, 2))


@pytest.mark.parametrize(
    "view",
    [
        View(0.7, turn=0.5, pitch=-0.3, roll=0.4, pixel=(400.0, 350.0)),
        View(1.2, turn=-1.1, roll=-2.0, pixel=(1250.0, 900.0)),
        View(0.5, pitch=1.3, roll=0.9, pixel=(900.0, 200.0)),
        View(6.0, turn=0.9, pitch=0.4, pixel=(1400.0, 150.0)),
    ],
)
def test_coverage_through_a_lens_equals_brute_force(view):
    pose = pose_of_view(view, LENS)
    region = region_of(DRAWING, pose, LENS, 2)
    image = reflectance_image(DRAWING, pose, LENS, region)
    rng = np.random.default_rng(20)
    uniform = np.isin(np.round(image, 12), [0.0, 0.3, 0.5, 0.9])
    crossed = np.argwhere(~uniform)
    chosen = crossed[rng.choice(len(crossed), min(1200, len(crossed)), replace=False)]
    expected = sampled(chosen[:, ::-1] + np.array([region.u0, region.v0]), pose, rng)
    error = image[tuple(chosen.T)] - expected
    # A cell that a boundary cuts in the ratio f errs with the variance f (1 - f) <= 1/4 of a
    # cell's share; a straight boundary cuts at most 2 GRID cells of a pixel, and a pixel has
    # at most two boundaries here but for a few. Neither correlates with another.
    sigma = LARGEST_STEP * np.sqrt(2 * 2 * GRID / 4) / GRID**2
    assert np.max(np.abs(error)) < 5.5 * sigma  # 1,200 draws reach 5.5 σ once in 20,000 runs
    # over 1,200 pixels this is 1e-3: a bias can't hide in the noise of single ones
    assert abs(np.mean(error)) < 4.5 * sigma / np.sqrt(len(error))
    plain = np.argwhere(uniform)
    plain = plain[rng.choice(len(plain), min(200, len(plain)), replace=False)]
    expected = sampled(plain[:, ::-1] + np.array([region.u0, region.v0]), pose, rng)
    assert_array_equal(np.round(image[tuple(plain.T)], 12), np.round(expected, 12))
