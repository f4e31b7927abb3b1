"""A bar with two markers, and a marker moved by known amounts, in rendered pictures."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from bench.cameras.measuring import same_marker
from bench.characterise.bias import Known, bar_in_pictures, known_moves
from bench.characterise.known import KnownCamera
from bench.characterise.shots import Setup
from bench.errors import ConfigError, PictureError
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.imaging.illumination import Illumination
from bench.imaging.model import Imaging
from bench.imaging.optics import Optics
from bench.imaging.sensor import Sensor, expose
from bench.imaging.spread import spread_reflectance
from bench.render.planar import full_frame
from bench.solve.pipeline import pipeline_from_name
from bench.targets.design import MarkerDesign, build_target

CAMERA = Camera(640, 480, 900.0, 900.0, 319.5, 239.5, pixel_pitch=5e-6)
SENSOR = Sensor(0.6, 5.0, 0.0, 0.005, 10_000.0, None, 8, 4.0)
IMAGING = Imaging(Optics(0.7), Illumination(0.8), SENSOR)
TARGET = build_target(MarkerDesign(size=0.2))
LENGTH_M, SECOND = 0.6, 8
# Facing the camera: the target's y is up, the picture's v down.
FACING = exp_rotvec(np.array([np.pi, 0.0, 0.0]))


def setup_of(camera=CAMERA, solver="photometric"):
    pipelines = (pipeline_from_name(f"apriltag/{solver}"),)
    return KnownCamera(camera, IMAGING.optics, SENSOR), Setup(
        camera, IMAGING, TARGET, pipelines, 1
    )


def shoot(path, plates, camera):
    """Save the picture of plates that don't overlap: what each adds to the background."""
    region, background = full_frame(camera), TARGET.drawing.background
    seen = [
        spread_reflectance(t.drawing, pose, camera, IMAGING.optics, region) for t, pose in plates
    ]
    light = background + sum(one - background for one in seen)
    rng = np.random.default_rng(sum(path.name.encode()))
    cv2.imwrite(str(path), expose(0.8 * SENSOR.full_well * light, SENSOR, rng))
    return path


def bar_pictures(folder, camera):
    other = same_marker(TARGET, SECOND)
    for k, (x, y, z) in enumerate(
        [
            (0, 0, 2.6),
            (-0.3, 0.2, 2.6),
            (0.3, -0.2, 2.6),
            (-0.2, -0.3, 3.0),
            (0.3, 0.35, 3.0),
            (0, 0.4, 2.8),
        ]
    ):
        turn = exp_rotvec(np.array([0.0, (0.3, -0.4, 0.5)[k % 3], 0.1 * k]))
        bar = Pose(turn @ FACING, np.array([x, y, z]))
        ends = [bar @ Pose(np.eye(3), np.array([s * LENGTH_M / 2, 0.0, 0.0])) for s in (-1, 1)]
        yield shoot(folder / f"bar-{k}.png", zip((TARGET, other), ends, strict=True), camera)


@pytest.mark.slow
def test_a_bar_in_pictures_keeps_its_length_and_a_wrong_lens_shows(tmp_path):
    paths = list(bar_pictures(tmp_path, CAMERA))
    sound = bar_in_pictures(paths, *with_second(CAMERA), Known(LENGTH_M, 1e-4))
    assert [check.state for check in sound] == ["inside"] * 5, [c.words for c in sound]
    # k1 of -0.08 left out moves the picture's corners by 0.08 · 0.4³ · 900 px = 5 px
    wrong = bar_in_pictures(
        paths, *with_second(replace(CAMERA, distortion=(-0.08, 0, 0, 0, 0))), None
    )
    assert "outside" in [check.state for check in wrong]
    with pytest.raises(PictureError, match="5 are needed"):
        bar_in_pictures(paths[:3], *with_second(CAMERA), None)


def with_second(camera):
    known, setup = setup_of(camera, "ippe-lm")
    return known, SECOND, setup


@pytest.mark.slow
def test_known_moves_in_pictures_are_found_and_wrong_ones_told(tmp_path):
    start = Pose(exp_rotvec(np.array([0.0, 0.3, 0.0])) @ FACING, np.array([0.1, 0.0, 2.0]))
    for name, turn, shift in (("zero", 0.0, 0.0), ("turned", 5.0, 0.0), ("shimmed", 0.0, 0.01)):
        axis = np.array([0.0, np.radians(turn), 0.0])
        pose = Pose(exp_rotvec(axis) @ start.rotation, start.translation + [shift, 0.0, 0.0])
        shoot(tmp_path / f"{name}.png", [(TARGET, pose)], CAMERA)
    table = tmp_path / "moves.csv"
    head = "first,second,turn_deg,u_turn_deg,shift_mm,u_shift_mm\n"
    right, wrong = "zero.png,turned.png,{},0.05,,\n", "zero.png,shimmed.png,,,{},0.02\n"
    table.write_text(head + right.format(5.0) + wrong.format(10.0))
    assert [c.state for c in known_moves(table, *setup_of())] == ["inside", "inside"]
    table.write_text(head + right.format(6.0) + wrong.format(11.0))
    assert [c.state for c in known_moves(table, *setup_of())] == ["outside", "outside"]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("a.png,b.png,5,,,", "turn_deg and u_turn_deg belong together"),
        ("a.png,b.png,,,,", "neither turn_deg nor shift_mm"),
        ("a.png,b.png,5,0.1,,", "a.png"),
    ],
)
def test_a_table_of_moves_that_cannot_be_used_is_refused_by_line(row, words, tmp_path):
    table = tmp_path / "moves.csv"
    table.write_text(f"first,second,turn_deg,u_turn_deg,shift_mm,u_shift_mm\n{row}\n")
    with pytest.raises((ConfigError, PictureError), match=words):
        known_moves(table, *setup_of())
