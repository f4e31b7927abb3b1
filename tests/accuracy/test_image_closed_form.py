"""Coverage against closed form: clipped polygons, areas of polygons and ellipses, edges.

No source but geometry: Sutherland-Hodgman clipping, the shoelace formula, and the area of the
ellipse into which a plane projective map takes a circle (a conic Q goes to H^-T Q H^-1).
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.geometry.camera import Camera, project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.chords import project_outline
from bench.imaging.picture import Region
from bench.imaging.raster import reflectance_image
from bench.targets.drawing import Area, Disc, Drawing
from bench.targets.outline import rectangle

CAMERA = Camera(2448, 2048, 3000.0, 2990.0, 1223.7, 1023.1)
# bends a line across the picture by 60 px
LENS = Camera(2448, 2048, 1800.0, 1795.0, 1223.7, 1023.1, (-0.18, 0.09, 8e-4, -6e-4, -0.02))
TILTS_DEG = [0.0, 20.0, 50.0, 75.0, 85.0]
RANGES = [0.5, 2.0, 8.0, 40.0]
PLATE = Area((rectangle(-0.12, -0.12, 0.12, 0.12),), 1.0, 0.0)


def pose_at(range_m, tilt_deg, camera, roll=0.37):
    """Return a pose with a tilt about a slanted axis: turn and pitch both take part."""
    turn = np.radians(0.8 * tilt_deg)
    pitch = np.arccos(np.cos(np.radians(tilt_deg)) / np.cos(turn))
    return pose_of_view(View(range_m, turn, pitch, roll, (1100.3, 990.8)), camera)


def region_around(drawing, pose, camera):
    points = project_outline(drawing, pose, camera).ends.reshape(-1, 2)
    low, high = np.floor(points.min(axis=0)).astype(int), np.ceil(points.max(axis=0)).astype(int)
    return Region(low[0] - 2, low[1] - 2, *(high - low + 5))


def clipped(polygon, axis, limit, keep_above):
    """Clip a polygon (N, 2) to one side of a coordinate line (Sutherland and Hodgman 1974)."""
    kept = []
    for a, b in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        inside_a, inside_b = ((p[axis] >= limit) == keep_above for p in (a, b))
        if inside_a:
            kept.append(a)
        if inside_a != inside_b:
            kept.append(a + (limit - a[axis]) / (b[axis] - a[axis]) * (b - a))
    return np.array(kept).reshape(-1, 2)


def shoelace(polygon):
    x, y = (polygon - polygon[0]).T  # small numbers keep their digits
    return 0.5 * abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def clipped_coverage(polygon, region):
    """Area of a convex polygon in each pixel of a region, one pixel at a time."""
    image = np.zeros((region.height, region.width))
    for row in range(region.height):
        v = region.v0 + row - 0.5
        strip = clipped(clipped(polygon, 1, v, True), 1, v + 1.0, False)
        if not len(strip):
            continue
        for column in range(region.width):
            u = region.u0 + column - 0.5
            if strip[:, 0].max() <= u or strip[:, 0].min() >= u + 1.0:
                continue
            cell = clipped(clipped(strip, 0, u, True), 0, u + 1.0, False)
            image[row, column] = shoelace(cell) if len(cell) else 0.0
    return image


def flat(points):
    return np.column_stack((points, np.zeros(len(points))))


@pytest.mark.slow
@pytest.mark.parametrize("tilt_deg", TILTS_DEG)
@pytest.mark.parametrize("range_m", RANGES)
def test_coverage_equals_clipped_polygons_pixel_by_pixel(range_m, tilt_deg):
    square = rectangle(-0.05, -0.03, 0.04, 0.06)
    drawing = Drawing(0.24, 0.24, 0.0, (PLATE, Area((square,), 0.2, 1.0)))
    pose = pose_at(range_m, tilt_deg, CAMERA)
    whole = region_around(drawing, pose, CAMERA)
    # near the camera the plate is a thousand pixels wide: a window around a corner of the square
    u, v = project(flat(square[2:3]), pose, CAMERA)[0]
    region = Region(
        max(whole.u0, int(u) - 20), max(whole.v0, int(v) - 20), min(whole.width, 40), 40
    )
    expected = clipped_coverage(project(flat(drawing.outline), pose, CAMERA), region)
    expected -= 0.8 * clipped_coverage(project(flat(square), pose, CAMERA), region)
    image = reflectance_image(drawing, pose, CAMERA, region)
    # corners rounded to 2e-13 px at 1e3 px, an edge crosses a pixel in at most 1.5 px
    assert_allclose(image, expected, rtol=0, atol=1e-11)


@pytest.mark.parametrize("tilt_deg", TILTS_DEG)
@pytest.mark.parametrize("range_m", RANGES)
def test_coverage_of_a_plate_sums_to_its_projected_area(range_m, tilt_deg):
    drawing = Drawing(0.24, 0.24, 0.0, (PLATE,))
    pose = pose_at(range_m, tilt_deg, CAMERA)
    image = reflectance_image(drawing, pose, CAMERA, region_around(drawing, pose, CAMERA))
    area = shoelace(project(flat(drawing.outline), pose, CAMERA))
    # the sum of up to 2e6 pixels, each right to 1e-12, and shoelace's own rounding of 1e6 px²
    assert_allclose(image.sum(), area, rtol=1e-10, atol=1e-9)


@pytest.mark.parametrize("tilt_deg", TILTS_DEG)
@pytest.mark.parametrize("range_m", RANGES)
def test_coverage_of_a_disc_sums_to_the_area_of_its_ellipse(range_m, tilt_deg):
    disc = Disc(0.02, -0.03, 0.07, 0.0, 1.0)
    drawing = Drawing(0.24, 0.24, 0.0, (PLATE, disc))
    pose = pose_at(range_m, tilt_deg, CAMERA)
    region = region_around(drawing, pose, CAMERA)
    plate = reflectance_image(Drawing(0.24, 0.24, 0.0, (PLATE,)), pose, CAMERA, region)
    image = plate - reflectance_image(drawing, pose, CAMERA, region)
    to_pixel = CAMERA.matrix @ np.column_stack((pose.rotation[:, :2], pose.translation))
    to_centre = np.array([[1.0, 0, -disc.x], [0, 1, -disc.y], [0, 0, 1]])
    # in units of the radius the conic is diag(1, 1, -1)
    back = np.diag([1 / disc.radius, 1 / disc.radius, 1.0]) @ to_centre @ np.linalg.inv(to_pixel)
    conic = back.T @ np.diag([1.0, 1.0, -1.0]) @ back
    area = np.pi * abs(np.linalg.det(conic)) / np.linalg.det(conic[:2, :2]) ** 1.5
    # Each arc of angle θ is right to θ⁴/1000 of the area, see the tests of the chords. There
    # are the fewest at 40 m, 131 for a radius of 5 px, so 5e-9; perspective may stretch some
    # twofold, which costs 2⁴ of it.
    assert_allclose(image.sum(), area, rtol=1e-7)


@pytest.mark.parametrize("camera", [CAMERA, LENS], ids=["pinhole", "lens"])
@pytest.mark.parametrize("tilt_deg", TILTS_DEG)
@pytest.mark.parametrize("range_m", RANGES)
def test_edge_position_in_a_row_is_within_two_thousandths_of_a_pixel(range_m, tilt_deg, camera):
    half = min(1.0, 0.3 * range_m)  # at 40 m and 85 degrees still 10 px
    drawing = Drawing(
        2 * half, 2 * half, 0.0, (Area((rectangle(-half, -half, half, half),), 1.0, 0.0),)
    )
    pose = pose_at(range_m, tilt_deg, camera)
    t = np.linspace(0.0, 1.0, 20_001)[:, None]
    corners = drawing.outline
    sides = [
        project(flat(corners[i] + t * (corners[(i + 1) % 4] - corners[i])), pose, camera)
        for i in range(4)
    ]
    left, others = sides[3], np.vstack(sides[:3])
    assert np.all(np.diff(left[:, 1]) > 0.0)  # it descends: coverage is on its right
    tested = 0
    for row in np.unique(np.rint(np.quantile(left[:, 1], np.linspace(0.1, 0.9, 40)))):
        v = row + np.linspace(-0.5, 0.5, 201)
        u = np.interp(v, left[:, 1], left[:, 0])
        start, stop = int(np.floor(u.min())) - 1, int(np.ceil(u.max())) + 2
        near = (np.abs(others[:, 1] - row) < 1.0) & (others[:, 0] > start - 1)
        if np.any(near & (others[:, 0] < stop)) or v[0] < left[0, 1] or v[-1] > left[-1, 1]:
            continue  # another side crosses the window
        cover = reflectance_image(drawing, pose, camera, Region(start, int(row), stop - start, 1))
        position = stop - 0.5 - cover.sum()
        # What is asked for is 0.002 px. Without distortion an edge is one chord, with it no
        # chord is further than 5e-4 px from the curve; 20,001 points of a curve and linear
        # interpolation between them are exact to 1e-6 px here.
        limit = 1e-3 if camera is LENS else 1e-5
        assert abs(position - np.trapezoid(u, v)) <= limit
        tested += 1
    assert tested >= 5
