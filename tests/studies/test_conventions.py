import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from matplotlib.patches import FancyArrowPatch

from bench.draw import style
from bench.geometry.camera import project
from bench.geometry.rotation import rotation_x, rotation_y, rotation_z
from bench.geometry.viewing import View, pose_of_view
from bench.targets.design import MarkerDesign, build_target
from reports.conventions import (
    CAMERA,
    RANGE_M,
    conventions_figure,
    drawings,
    target_patches,
    turning_arc,
    write_conventions,
)


def _drawn(title):
    return next(d for d in drawings() if d.title.startswith(title))


def _edges(view):
    """Return the pixels of the target's right, upper, left and lower edge middles, and ranges."""
    T = pose_of_view(view, CAMERA)
    p = 0.1 * np.array([[1.0, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0]])
    return project(p, T, CAMERA), np.linalg.norm(T @ p, axis=1), T


def test_a_positive_turn_swings_the_normal_right_and_the_right_edge_away():
    drawn = _drawn("turn")
    _, ranges, T = _edges(drawn.view)
    assert drawn.view.turn > 0.0
    assert T.rotation[0, 2] > 0.0  # camera x runs right in the picture
    assert ranges[0] > ranges[2]
    assert "normal swings to the picture's right, the right edge recedes" in drawn.words


def test_a_positive_pitch_dips_the_normal_and_brings_the_upper_edge_nearer():
    drawn = _drawn("pitch")
    _, ranges, T = _edges(drawn.view)
    assert drawn.view.pitch > 0.0
    assert T.rotation[1, 2] > 0.0  # camera y runs down
    assert ranges[1] < ranges[3]
    assert "normal dips, the upper edge comes nearer" in drawn.words


def test_a_positive_roll_runs_anticlockwise_in_the_picture():
    drawn = _drawn("roll")
    pixels, _, _ = _edges(drawn.view)
    assert drawn.view.roll > 0.0
    # v runs down, so anticlockwise lifts the right edge's middle to a smaller v
    assert pixels[0, 1] < CAMERA.cy
    assert "anticlockwise" in drawn.words


@pytest.mark.parametrize(
    ("view", "rotation"),
    [
        (View(1.0, turn=0.5), rotation_y),
        (View(1.0, pitch=0.5), rotation_x),
        (View(1.0, roll=0.5), rotation_z),
    ],
    ids=["turn", "pitch", "roll"],
)
def test_the_curved_arrow_runs_as_a_positive_angle_carries_points(view, rotation):
    arc = turning_arc(view)
    for start, end in itertools.pairwise(arc):
        radial = np.delete(start, {rotation_x: 0, rotation_y: 1, rotation_z: 2}[rotation])
        step = np.linalg.norm(end - start) / np.linalg.norm(radial)
        # a chord over its radius is the angle but for its cube over 24, under 1e-6 here
        np.testing.assert_allclose(rotation(step) @ start, end, atol=1e-6)
    assert turning_arc(View(1.0)) is None


def test_every_turned_drawing_has_one_arrow_and_the_facing_one_none():
    with style.applied():
        figure = conventions_figure()
    counts = [
        sum(isinstance(p, FancyArrowPatch) and p.get_gid() == "turning" for p in axes.patches)
        for axes in figure.axes
    ]
    assert counts == [0, 1, 1, 1]


def test_target_is_drawn_where_the_geometry_projects_it():
    target = build_target(MarkerDesign(size=0.14))
    T = pose_of_view(View(RANGE_M, turn=0.6), CAMERA)
    plate = target_patches(target, T, CAMERA)[0].get_path()
    corners = np.column_stack((target.drawing.outline, np.zeros(4)))
    drawn = plate.vertices[:4]
    for corner in project(corners, T, CAMERA):
        assert np.min(np.linalg.norm(drawn - corner, axis=1)) < 1e-9


def test_formulas_are_those_of_the_geometry():
    with style.applied():
        words = " ".join(t.get_text() for t in conventions_figure().texts)
    assert "R_camera_target = R_camera_facing · R_z(roll) · R_y(turn) · R_x(pitch)" in words
    turn, pitch, roll = 0.3, -0.4, 0.2
    T = pose_of_view(View(2.0, turn, pitch, roll), CAMERA)
    facing = pose_of_view(View(2.0), CAMERA).rotation
    np.testing.assert_allclose(
        T.rotation, facing @ rotation_z(roll) @ rotation_y(turn) @ rotation_x(pitch), atol=1e-12
    )
    line_of_sight = -T.translation / np.linalg.norm(T.translation)
    assert T.rotation[:, 2] @ line_of_sight == pytest.approx(math.cos(turn) * math.cos(pitch))


def test_no_text_of_the_drawing_overlaps_or_leaves_it(text_faults):
    with style.applied():
        assert text_faults(conventions_figure()) == []


def test_the_drawing_in_reports_is_the_one_that_this_code_makes(tmp_path):
    kept = Path(__file__).parents[2] / "reports" / "conventions.png"
    if not kept.exists():
        pytest.skip("reports/ is not part of an installed package")
    from matplotlib.image import imread

    made = imread(write_conventions(tmp_path))
    there = imread(kept)
    assert there.shape == made.shape
    # another matplotlib or FreeType may smooth edges a little otherwise
    assert np.mean(np.abs(there - made)) < 0.01
