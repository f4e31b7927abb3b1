import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from bench.errors import GeometryError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import rotation_x
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.chords import DEVIATION_PX, project_chords, project_outline
from bench.targets.drawing import Area, Disc, Drawing
from bench.targets.outline import rectangle

VIEWS = [
    View(2.0),
    View(0.6, turn=1.1, roll=0.3),
    View(3.0, turn=-0.7, pitch=0.5, roll=2.0, pixel=(300.0, 250.0)),
    View(8.0, pitch=1.45, roll=0.8, pixel=(1400.0, 1000.0)),
]


def area_on_left(ends):
    """Signed area of closed chords, positive if it lies on their left as the picture shows it.

    v runs down, so the shoelace formula's sign turns over.
    """
    u0, v0, u1, v1 = ends.T
    return 0.5 * np.sum(u1 * v0 - u0 * v1)


def gaps(points, ends):
    """Distance of each point (N, 2) from the nearest chord (M, 4)."""
    a, b = ends[None, :, :2], ends[None, :, 2:]
    along = np.sum((points[:, None] - a) * (b - a), axis=2) / np.sum((b - a) ** 2, axis=2)
    foot = a + np.clip(along, 0.0, 1.0)[..., None] * (b - a)
    return np.min(np.linalg.norm(points[:, None] - foot, axis=2), axis=1)


def on_circle(disc, n):
    angle = 2.0 * np.pi * np.arange(n) / n
    x, y = disc.x + disc.radius * np.cos(angle), disc.y + disc.radius * np.sin(angle)
    return np.column_stack((x, y, np.zeros(n)))


@pytest.mark.parametrize("view", VIEWS)
def test_without_distortion_a_straight_edge_is_one_chord_between_projected_corners(
    view, pinhole, square_drawing
):
    pose = pose_of_view(view, pinhole)
    chords = project_chords(square_drawing, pose, pinhole)
    edges, steps = square_drawing.segments()
    assert_array_equal(chords.steps, steps)
    for end in (0, 2):
        corners = np.column_stack((edges[:, end : end + 2], np.zeros(len(edges))))
        # two ways to round a projection: a few ulp of 1e3 px
        assert_allclose(chords.ends[:, end : end + 2], project(corners, pose, pinhole), atol=1e-11)


@pytest.mark.parametrize("view", VIEWS)
def test_no_chord_leaves_its_curve_by_more_than_the_bound(view, barrel, disc_drawing):
    pose = pose_of_view(view, barrel)
    chords = project_chords(disc_drawing, pose, barrel)
    is_disc = chords.steps == disc_drawing.shapes[1].reflectance - 0.85
    circle = project(on_circle(disc_drawing.shapes[1], 1999), pose, barrel)
    # 1 % for the cubic terms that the bound, exact for parabolas, leaves out
    assert np.max(gaps(circle, chords.ends[is_disc])) <= 1.01 * DEVIATION_PX
    t = np.linspace(0.0, 1.0, 500)[:, None]
    corners = disc_drawing.outline
    for i in range(4):
        side = corners[i] + t * (corners[(i + 1) % 4] - corners[i])
        pixels = project(np.column_stack((side, np.zeros(len(side)))), pose, barrel)
        assert np.max(gaps(pixels, chords.ends[~is_disc])) <= 1.01 * DEVIATION_PX


@pytest.mark.parametrize("view", VIEWS)
def test_chords_of_a_boundary_close_bit_for_bit(view, barrel, mixed_drawing):
    # a ring of many odd numbers, where rounding has every chance
    angle = np.linspace(0.0, 2.0 * np.pi, 100, endpoint=False)
    radius = np.random.default_rng(2).uniform(0.03, 0.1, 100)
    ring = np.column_stack((radius * np.cos(angle), radius * np.sin(angle)))
    star = Area((ring,), 0.2, 0.85)
    drawing = Drawing(0.24, 0.2, 0.35, (*mixed_drawing.shapes, star))
    chords = project_chords(drawing, pose_of_view(view, barrel), barrel)
    starts = sorted(map(tuple, chords.ends[:, :2]))
    assert starts == sorted(map(tuple, chords.ends[:, 2:]))


@pytest.mark.parametrize("view", VIEWS)
def test_chords_enclose_the_area_of_the_curve_to_fourth_order(view, barrel, disc_drawing):
    pose = pose_of_view(view, barrel)
    chords = project_chords(disc_drawing, pose, barrel)
    is_disc = chords.steps == disc_drawing.shapes[1].reflectance - 0.85
    # Polygon through 1e5 exact points: it lacks (2π/n)²/6 = 7e-10 of the area.
    dense = project(on_circle(disc_drawing.shapes[1], 100_000), pose, barrel)
    exact = area_on_left(np.hstack((dense, np.roll(dense, -1, axis=0))))
    got = area_on_left(chords.ends[is_disc])
    assert exact > 0.0  # anticlockwise on the face, anticlockwise in the picture
    # A circular arc of angle θ differs from its parabola by 1e-3 θ⁵ r², so θ⁴/1000 of the area;
    # at least 30 arcs here make θ <= 0.21. Joining points of the curve instead would lose
    # θ²/24, 2e-3.
    assert_allclose(got, exact, rtol=2e-6)


def test_steps_are_left_minus_right_as_the_picture_shows_it(pinhole):
    ring = rectangle(-0.1, -0.1, 0.1, 0.1)
    drawing = Drawing(0.2, 0.2, 0.3, (Area((ring,), 0.8, 0.3),))
    chords = project_chords(drawing, pose_of_view(View(2.0, turn=0.4), pinhole), pinhole)
    assert_allclose(chords.steps, 0.5)
    assert area_on_left(chords.ends) > 0.0


def test_a_tiny_disc_still_has_arcs_and_its_area(pinhole):
    plate = Area((rectangle(-0.1, -0.1, 0.1, 0.1),), 0.8, 0.3)
    drawing = Drawing(0.2, 0.2, 0.3, (plate, Disc(0.0, 0.0, 1e-4, 0.1, 0.8)))
    chords = project_chords(drawing, pose_of_view(View(40.0), pinhole), pinhole)
    radii = 1e-4 / 40.0 * np.array([pinhole.fx, pinhole.fy])
    # four arcs at least: (π/2)⁴/1000 = 0.6 % of an area of 2e-4 px²
    assert_allclose(area_on_left(chords.ends[4:]), np.pi * np.prod(radii), rtol=0.01)


def test_a_target_seen_from_behind_raises(pinhole, square_drawing):
    pose = pose_of_view(View(2.0), pinhole)
    turned = Pose(pose.rotation @ rotation_x(np.pi), pose.translation)
    with pytest.raises(GeometryError, match="back"):
        project_chords(square_drawing, turned, pinhole)


def test_a_target_seen_exactly_edge_on_raises(pinhole, square_drawing):
    edge_on = Pose(np.array([[0.0, 0, 1], [0, -1, 0], [1, 0, 0]]), np.array([0.0, 0.0, 2.0]))
    with pytest.raises(GeometryError, match="back"):
        project_chords(square_drawing, edge_on, pinhole)


@pytest.mark.parametrize("shape", ["corner", "disc"])
def test_a_point_behind_the_camera_plane_raises(shape, pinhole):
    # turned by 80 degrees at 0.15 m, the far side of the plate's 0.4 m is behind the camera
    size = 0.4 if shape == "corner" else 0.02
    plate = Area((rectangle(-size / 2, -size / 2, size / 2, size / 2),), 0.8, 0.3)
    shapes = (plate,) if shape == "corner" else (plate, Disc(0.0, 0.0, 0.2, 0.1, 0.8))
    drawing = Drawing(size, size, 0.3, shapes)
    with pytest.raises(GeometryError, match="behind"):
        project_chords(drawing, pose_of_view(View(0.15, turn=1.4), pinhole), pinhole)


def test_a_point_outside_the_lens_domain_raises(square_drawing):
    # 1 + 3 k1 r² = 0 at r = 0.577: the plate reaches 0.12 / 0.15 = 0.8
    camera = Camera(1600, 1200, 1000.0, 1000.0, 799.5, 599.5, (-1.0, 0.0, 0.0, 0.0, 0.0))
    with pytest.raises(GeometryError, match="lens model"):
        project_chords(square_drawing, pose_of_view(View(0.15), camera), camera)


def test_outline_is_the_plates(pinhole, disc_drawing):
    pose = pose_of_view(View(2.0, turn=0.5), pinhole)
    ends = project_outline(disc_drawing, pose, pinhole).ends
    corners = np.column_stack((disc_drawing.outline, np.zeros(4)))
    assert_allclose(ends[:, :2], project(corners, pose, pinhole), atol=1e-11)
