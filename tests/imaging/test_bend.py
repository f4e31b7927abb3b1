from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from bench.digest import content_digest
from bench.errors import GeometryError, TargetError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.chords import DEVIATION_PX, project_chords, project_outline
from bench.imaging.gaussian import blurred_image
from bench.imaging.region import region_of
from bench.imaging.sensitivity import blurred_sensitivity
from bench.solve.response import PLATE, PRINT, face_shift
from bench.targets.bend import MAX_SLOPE, Bend, bend_modes, least_height_over_tangents
from bench.targets.target import Target
from tests.imaging.test_sensitivity import STEP_PX, finite_difference

BEND = Bend(1.5e-3, -1e-3, 0.8e-3)
VIEWS = [
    View(2.0),
    View(0.9, turn=1.1, roll=0.3),
    View(3.0, turn=-0.7, pitch=0.5, roll=2.0, pixel=(300.0, 250.0)),
]


def on_face(drawing, xy):
    heights = bend_modes(xy, drawing.width, drawing.height) @ [BEND.across, BEND.up, BEND.twist]
    return np.column_stack((xy, heights))


def gaps(points, ends):
    a, b = ends[None, :, :2], ends[None, :, 2:]
    along = np.sum((points[:, None] - a) * (b - a), axis=2) / np.sum((b - a) ** 2, axis=2)
    foot = a + np.clip(along, 0.0, 1.0)[..., None] * (b - a)
    return np.min(np.linalg.norm(points[:, None] - foot, axis=2), axis=1)


@pytest.mark.parametrize("lens", ["pinhole", "barrel"])
@pytest.mark.parametrize("view", VIEWS)
def test_no_chord_of_a_bent_plate_leaves_its_curve_by_more_than_the_bound(
    view, lens, mixed_drawing, request
):
    camera = request.getfixturevalue(lens)
    pose = pose_of_view(view, camera)
    drawing = replace(mixed_drawing, bend=BEND)
    ends = project_chords(drawing, pose, camera).ends
    edges, _ = drawing.segments()
    t = np.linspace(0.0, 1.0, 61)[:, None]
    lines = [on_face(drawing, e[:2] + t * (e[2:] - e[:2])) for e in edges]
    disc = drawing.shapes[-1]
    angle = np.linspace(0.0, 2.0 * np.pi, 211)[:, None]
    round_ = np.hstack((np.cos(angle), np.sin(angle)))
    lines.append(on_face(drawing, (disc.x, disc.y) + disc.radius * round_))
    # 1 % for the cubic terms that the bound, exact for parabolas, leaves out
    assert np.max(gaps(project(np.vstack(lines), pose, camera), ends)) <= 1.01 * DEVIATION_PX
    starts = sorted(map(tuple, ends[:, :2]))
    assert starts == sorted(map(tuple, ends[:, 2:]))  # closed bit for bit


def test_a_bend_of_nothing_changes_no_bit_and_no_digest(mixed_drawing, barrel):
    pose = pose_of_view(VIEWS[1], barrel)
    plain = project_chords(mixed_drawing, pose, barrel)
    unbent = project_chords(replace(mixed_drawing, bend=Bend()), pose, barrel)
    assert_array_equal(plain.ends, unbent.ends)
    assert content_digest(replace(mixed_drawing, bend=None)) == content_digest(mixed_drawing)
    assert content_digest(replace(mixed_drawing, bend=BEND)) != content_digest(mixed_drawing)


@pytest.mark.parametrize("lens", ["pinhole", "barrel"])
@pytest.mark.parametrize("channel", range(7))
def test_sensitivity_of_a_bent_plate_is_the_derivative_of_its_picture(
    lens, channel, mixed_drawing, request
):
    camera = request.getfixturevalue(lens)
    drawing = replace(mixed_drawing, bend=BEND)
    pose = pose_of_view(View(2.5, turn=0.6, pitch=-0.2, roll=0.15, pixel=(500.3, 400.6)), camera)
    region = region_of(drawing, pose, camera, 6.0)
    chords = project_chords(drawing, pose, camera)
    found = blurred_sensitivity(chords, pose, camera, 1.1, region)[:, channel]
    numeric = finite_difference(drawing, pose, camera, 1.1, region, channel)
    difference = (STEP_PX / 1.1) ** 2 / 6.0 * (3.0 if channel == 6 else 1.0)
    scale = np.max(np.abs(numeric))
    # as in test_sensitivity
    assert_allclose(found, numeric.ravel(), rtol=0.0, atol=(2.2e-3 + difference) * scale)


def test_a_bent_plate_that_hides_a_part_of_itself_is_refused_in_one_line(pinhole, square_drawing):
    # 2 mm of bow on a half width of 120 mm slope by 1.9 deg at the edges. Seen at 88.5 deg, a
    # hollow plate shows the back of its near part and a full one that of its far part.
    pose = pose_of_view(View(3.0, turn=np.radians(88.5)), pinhole)
    project_chords(square_drawing, pose, pinhole)
    for across in (2e-3, -2e-3):
        bent = replace(square_drawing, bend=Bend(across=across))
        for projected in (project_chords, project_outline):
            with pytest.raises(GeometryError, match="hides a part of its face") as refused:
                projected(bent, pose, pinhole)
            assert "\n" not in str(refused.value)
    gentler = replace(square_drawing, bend=Bend(across=1e-3))  # 1 deg
    project_chords(gentler, pose, pinhole)


@pytest.mark.parametrize("seed", range(20))
def test_least_height_over_tangents_is_that_of_a_fine_grid(seed):
    rng = np.random.default_rng(seed)
    width, height = rng.uniform(0.1, 0.4, 2)
    relief = Bend(*rng.uniform(-3e-3, 3e-3, 3)).relief(width, height)
    eye = np.array([*rng.uniform(-0.5, 0.5, 2), rng.uniform(0.001, 0.3)])
    a, b, c = relief
    x, y = np.meshgrid(
        np.linspace(-0.5, 0.5, 401) * width, np.linspace(-0.5, 0.5, 401) * height, indexing="ij"
    )
    z = a * x**2 + b * y**2 + c * x * y
    over = eye[2] - z - (2 * a * x + c * y) * (eye[0] - x) - (2 * b * y + c * x) * (eye[1] - y)
    least = least_height_over_tangents(relief, width, height, eye)
    # the grid's middle points are within 1/800 of a side of any point: quadratic, so squared
    assert least == pytest.approx(np.min(over), abs=4.0 * 3e-3 * 3.0 * (1.0 / 800.0) ** 2)


@pytest.mark.parametrize("bend", [Bend(across=3.1e-3), Bend(twist=np.nan), Bend(up=-1.0)])
def test_what_isn_t_gentle_is_refused_with_sizes_and_limit(bend, square_drawing):
    with pytest.raises(TargetError, match=f"slope of .*at most {MAX_SLOPE:g}"):
        replace(square_drawing, bend=bend)


@pytest.mark.parametrize("mode", range(3))
def test_modes_of_the_budget_are_those_of_the_picture(mode, mixed_drawing, pinhole):
    # one home for a plate's shape: a small bend moves the picture's chords by the response's shift
    pose = pose_of_view(VIEWS[2], pinhole)
    target = Target("x", "marker", mixed_drawing)
    size = 1e-6
    bent = replace(mixed_drawing, bend=Bend(*(size * (k == mode) for k in range(3))))
    corners = np.column_stack((mixed_drawing.outline, np.zeros(4)))
    before = project(corners, pose, pinhole)
    ends = project_outline(bent, pose, pinhole).ends[:, :2]  # some sides are arcs by now
    nearest = [np.argmin(np.linalg.norm(ends - corner, axis=1)) for corner in before]
    moved = ends[nearest] - before
    shift = face_shift(corners, pose, pinhole, target)[:, len(PRINT) + mode]
    assert len(PLATE) == 3
    # second order: 1e-6 m in 3 m; two ways to round a projection: a few ulp of 1e3 px
    assert_allclose(moved.ravel(), size * shift, rtol=1e-5, atol=1e-11)


def test_a_bent_plate_turns_with_its_pose(pinhole, mixed_drawing):
    # bending outward what leans forward: the picture of a rotated plate is that of a rotated eye
    drawing = replace(mixed_drawing, bend=BEND)
    pose = pose_of_view(View(2.0, turn=0.3), pinhole)
    turned = Pose(pose.rotation @ exp_rotvec(np.array([0.0, 0.0, np.pi])), pose.translation)
    region = region_of(drawing, pose, pinhole, 6.0)
    chords = project_chords(drawing, turned, pinhole)
    upside_down = replace(
        drawing,
        shapes=tuple(
            replace(s, rings=tuple(-r for r in s.rings))
            if hasattr(s, "rings")
            else replace(s, x=-s.x, y=-s.y)
            for s in drawing.shapes
        ),
    )
    same = project_chords(upside_down, pose, pinhole)
    # every mode is even in (x, y), so half a turn leaves the plate's shape as it is
    assert_allclose(
        blurred_image(chords, 0.35, 0.7, region),
        blurred_image(same, 0.35, 0.7, region),
        atol=1e-4,
    )
