"""Pictures of a bent plate against brute force and a closed form that share no code with them.

Points drawn at random in each cell of a grid in a pixel are taken back through the lens to a ray,
along the ray to the bent face by bisection, and asked for the topmost shape.
"""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.geometry.camera import Camera, ray
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.chords import project_chords
from bench.imaging.raster import reflectance_image
from bench.imaging.region import region_of
from bench.targets.bend import Bend
from bench.targets.drawing import Area, Disc, Drawing
from bench.targets.outline import rectangle

GRID = 24
LENS = Camera(1600, 1200, 1100.0, 1095.0, 801.3, 597.8, (-0.24, 0.09, 1.5e-3, -9e-4, -0.02))
PINHOLE = replace(LENS, distortion=(0.0,) * 5)
DISC = Disc(0.06, 0.05, 0.03, 0.0, 0.9)
WIDTH, HEIGHT = 0.24, 0.2
FLAT = Drawing(
    WIDTH,
    HEIGHT,
    0.3,
    (
        Area((rectangle(-0.12, -0.1, 0.12, 0.1),), 0.9, 0.3),
        Area((rectangle(-0.1, -0.07, 0.01, 0.08),), 0.0, 0.9),
        DISC,
    ),
)
# at the limit of what is gentle: thirty times a careful workshop's
ACROSS, UP, TWIST = 1.8e-3, -1.2e-3, 0.6e-3


def height(x, y):
    """Return how high the plate stands at x, y, from the definition in words."""
    across, up = x / (WIDTH / 2), y / (HEIGHT / 2)
    return ACROSS * across**2 + UP * up**2 + TWIST * across * up


def painted(x, y):
    value = np.full(x.shape, 0.3)
    value[(np.abs(x) < 0.12) & (np.abs(y) < 0.1)] = 0.9
    value[(x > -0.1) & (x < 0.01) & (y > -0.07) & (y < 0.08)] = 0.0
    value[np.hypot(x - DISC.x, y - DISC.y) < DISC.radius] = 0.0
    return value


def sampled(pixels, pose, camera, rng):
    """Return the mean reflectance over GRID x GRID points in each pixel (N, 2)."""
    cell = np.stack(np.meshgrid(np.arange(GRID), np.arange(GRID)), axis=-1)
    offset = (cell + rng.random((len(pixels), GRID, GRID, 2))) / GRID - 0.5
    way = ray(pixels[:, None, None] + offset, camera) @ pose.rotation
    eye = -pose.translation @ pose.rotation
    # the face lies within 6 mm of its plane as far as 0.15 m from its middle
    near, far = (-(eye[2] - z) / way[..., 2] for z in (0.006, -0.006))
    for _ in range(26):  # to a fifth of a nanometre of height, seen upright
        middle = 0.5 * (near + far)
        p = eye + middle[..., None] * way
        above = p[..., 2] > height(p[..., 0], p[..., 1])
        near, far = np.where(above, middle, near), np.where(above, far, middle)
    p = eye + near[..., None] * way
    return painted(p[..., 0], p[..., 1]).mean(axis=(1, 2))


@pytest.mark.parametrize("camera", [PINHOLE, LENS], ids=["pinhole", "lens"])
@pytest.mark.parametrize(
    "view",
    [
        View(0.7, turn=0.5, pitch=-0.3, roll=0.4, pixel=(400.0, 350.0)),
        View(0.6, pitch=1.2, roll=0.9, pixel=(900.0, 250.0)),
    ],
)
def test_coverage_of_a_bent_plate_equals_brute_force(view, camera):
    drawing = replace(FLAT, bend=Bend(ACROSS, UP, TWIST))
    pose = pose_of_view(view, camera)
    region = region_of(drawing, pose, camera, 2)
    image = reflectance_image(drawing, pose, camera, region)
    flat = reflectance_image(FLAT, pose, camera, region)
    assert np.max(np.abs(image - flat)) > 0.5  # the bend is no trifle
    rng = np.random.default_rng(21)
    uniform = np.isin(np.round(image, 12), [0.0, 0.3, 0.9])
    crossed = np.argwhere(~uniform)
    chosen = crossed[rng.choice(len(crossed), min(300, len(crossed)), replace=False)]
    expected = sampled(chosen[:, ::-1] + np.array([region.u0, region.v0]), pose, camera, rng)
    error = image[tuple(chosen.T)] - expected
    # as in test_image_brute_force: at most 2 GRID cells a boundary, two boundaries, f (1-f) <= 1/4
    sigma = 0.9 * np.sqrt(2 * 2 * GRID / 4) / GRID**2
    assert np.max(np.abs(error)) < 5.5 * sigma
    assert abs(np.mean(error)) < 4.5 * sigma / np.sqrt(len(error))


def test_a_bowed_plate_seen_face_on_moves_its_points_by_their_height():
    # On the axis, at distance Z, a point r from the middle that stands z nearer appears at
    # f r / (Z - z): further out by f r z / (Z (Z - z)). Closed form, similar triangles.
    size, distance, bow = 0.24, 1.5, 2e-3
    camera = Camera(1600, 1200, 3000.0, 3000.0, 800.0, 600.0)
    square = Area((rectangle(-0.12, -0.12, 0.12, 0.12),), 0.9, 0.3)
    drawing = Drawing(size, size, 0.3, (square,), Bend(across=bow))
    pose = Pose(np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, distance]))
    ends = project_chords(drawing, pose, camera).ends.reshape(-1, 2) - (800.0, 600.0)
    out = 3000.0 * 0.12 * bow / (distance * (distance - bow))
    corner = 3000.0 * 0.12 / distance + out
    upright = np.abs(np.abs(ends[:, 0]) - corner) < 1e-9
    assert np.count_nonzero(upright) >= 4  # both upright edges stand at one height: straight
    assert_allclose(np.max(np.abs(ends), axis=0), corner, rtol=1e-12)
    # a level edge: at x its height is bow (x / 0.12)²
    t = np.linspace(-1.0, 1.0, 401)
    z = bow * t**2
    curve = 3000.0 * 0.12 / (distance - z)[:, None] * np.column_stack((t, -np.ones_like(t)))
    own = ends[ends[:, 1] < -0.9 * corner]
    own = own[np.argsort(own[:, 0])]
    # chords leave the curve by 5e-4 px at most
    assert_allclose(np.interp(curve[:, 0], own[:, 0], own[:, 1]), curve[:, 1], atol=5.1e-4)
