"""What a registration takes from one picture of a target."""

import math

import numpy as np
import pytest

from bench.detect.observation import Observation
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.picture import Picture
from bench.registration.pictures import sight_of
from bench.registration.sights import MeasuredPose, Sight
from bench.render.planar import render_target
from bench.scene.load import load_bay
from bench.solve.pipeline import pipeline_from_name


@pytest.fixture(scope="module")
def seen():
    """A target of the shipped bar, 2.5 m from the first tower's camera."""
    bay = load_bay(None)
    tower, target = bay.towers[0], bay.bar.target_b
    T = pose_of_view(View(2.5, math.radians(30.0)), tower.camera)
    rng = np.random.default_rng(3)
    picture = render_target(target, T, tower.camera, tower.imaging, rng)
    return Observation(picture, tower.camera, target, tower.imaging.sensor)


def test_a_solver_that_explains_grey_values_gives_its_pose_and_one_of_corners_its_points(seen):
    pose = sight_of(pipeline_from_name("apriltag/photometric"), seen, "left", "B")
    points = sight_of(pipeline_from_name("apriltag/ippe-lm"), seen, "left", "B")
    assert isinstance(pose, MeasuredPose)
    assert isinstance(points, Sight)
    assert (pose.tower, pose.end) == (points.tower, points.end) == ("left", "B")


@pytest.mark.parametrize("solver", ["photometric", "ippe-lm"])
def test_a_picture_without_a_target_gives_nothing_to_register(seen, solver):
    blank = Picture(
        np.full_like(seen.picture.grey, 60),
        full_scale=seen.picture.full_scale,
        u0=seen.picture.u0,
        v0=seen.picture.v0,
    )
    empty = Observation(blank, seen.camera, seen.target, seen.sensor)
    assert sight_of(pipeline_from_name(f"apriltag/{solver}"), empty, "left", "B") is None
