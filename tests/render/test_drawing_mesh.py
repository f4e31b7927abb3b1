"""A drawing's triangles cover what its outlines enclose."""

import numpy as np
import pytest

from bench.render.drawing_mesh import area_triangles, shape_triangles
from bench.targets.design import MarkerDesign, build_target
from bench.targets.drawing import Area, Disc, Drawing
from bench.targets.outline import rectangle


def signed(polygon):
    x, y = polygon.T
    return 0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)


def covered(triangles):
    return sum(signed(t) for t in triangles)


def contains(triangles, point):
    """Tell how many anticlockwise triangles hold a point."""
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]

    def left(p, q):
        return (q[:, 0] - p[:, 0]) * (point[1] - p[:, 1]) - (q[:, 1] - p[:, 1]) * (
            point[0] - p[:, 0]
        )

    return np.count_nonzero((left(a, b) > 0) & (left(b, c) > 0) & (left(c, a) > 0))


def test_every_area_of_a_marker_is_covered_once():
    drawing = build_target(MarkerDesign("DICT_APRILTAG_36h11", 7)).drawing
    rng = np.random.default_rng(1)
    for (triangles, reflectance), shape in zip(
        shape_triangles(drawing), drawing.shapes, strict=True
    ):
        assert reflectance == shape.reflectance
        # holes run clockwise, so that outlines' signed areas add up to what is painted
        assert covered(triangles) == pytest.approx(sum(map(signed, shape.rings)), rel=1e-12)
        points = rng.uniform(-0.13, 0.13, (50, 2))
        assert max(contains(triangles, p) for p in points) <= 1


def test_a_hole_is_left_out_and_slants_are_kept():
    ring = np.array([[0.0, -2.0], [2.0, 0.0], [0.0, 2.0], [-2.0, 0.0]])
    hole = 0.5 * ring[::-1]
    triangles = area_triangles(Area((ring, hole), 0.0, 1.0))
    assert covered(triangles) == pytest.approx(8.0 - 2.0, rel=1e-12)
    assert contains(triangles, (0.1, 0.2)) == 0
    assert contains(triangles, (1.2, 0.1)) == 1


def test_a_disc_keeps_its_area():
    drawing = Drawing(1.0, 1.0, 0.0, (Area((rectangle(-0.5, -0.5, 0.5, 0.5),), 1.0, 0.0),
                                      Disc(0.1, -0.2, 0.2, 0.0, 1.0)))  # fmt: skip
    triangles, _ = shape_triangles(drawing)[1]
    assert covered(triangles) == pytest.approx(np.pi * 0.04, rel=1e-12)
    reach = np.linalg.norm(triangles.reshape(-1, 2) - (0.1, -0.2), axis=1).max()
    assert reach == pytest.approx(0.2, rel=1.1e-4)
