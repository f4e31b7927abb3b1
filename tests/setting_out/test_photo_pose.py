"""A tower's pose from a rendered photograph of a target on a floor mark, truth known."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.errors import ConfigError, PictureError
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.imaging.picture import Picture
from bench.render.planar import full_frame, render_target
from bench.scene.load import load_bay
from bench.setting_out.photo_pose import (
    COMPONENTS,
    FloorMark,
    _covariance,
    components,
    pose_from_photo,
    pose_from_picture,
)
from bench.setting_out.placements import placement_of
from bench.targets.design import CharucoDesign, GridDesign, build_target

BAY = load_bay()
PLAN = BAY.towers[0]
MARK = FloorMark(offset=0.6, distance=2.6, height=0.5, heading=math.radians(-25.0))
TARGETS = {
    "the bay's marker": BAY.target,
    "a ChArUco board": build_target(CharucoDesign(columns=6, rows=4, square=0.06, marker=0.045)),
    "a grid": build_target(GridDesign(columns=2, rows=2, size=0.12, gap=0.04)),
}


def small(tower):
    """A tower with a quarter of the pixels, so that full frames are quick."""
    c = tower.camera
    camera = Camera(c.width // 2, c.height // 2, c.fx / 2, c.fy / 2, (c.width // 2 - 1) / 2,
                    (c.height // 2 - 1) / 2, c.distortion, 2 * c.pixel_pitch)  # fmt: skip
    return replace(tower, camera=camera)


def moved(tower):
    """The tower as it really stands, not quite as planned."""
    p = tower.placement
    turn = math.radians
    return replace(
        tower,
        placement=replace(
            p, offset=p.offset + 0.021, height=p.height - 0.013, forward=0.034,
            yaw=p.yaw + turn(0.9), pitch=p.pitch - turn(0.6), roll=turn(0.7),
        ),
    )  # fmt: skip


def photograph(tower, target, mark=MARK, seed=0):
    T = tower.T_bay_camera.inverse() @ mark.T_bay_target()
    rng = np.random.default_rng(seed)
    return render_target(target, T, tower.camera, tower.imaging, rng, full_frame(tower.camera))


@pytest.mark.parametrize("name", TARGETS)
def test_the_placement_is_recovered_within_three_of_its_own_uncertainties(name):
    plan = small(PLAN)
    stands = moved(plan)
    picture = photograph(stands, TARGETS[name])
    found = pose_from_picture(picture, plan, TARGETS[name], MARK)
    truth = stands.placement
    for component, u in found.u.items():
        error = getattr(found.placement, component) - getattr(truth, component)
        assert abs(error) < 3.0 * u, (component, error, u)
    # and that isn't because the uncertainties are huge: far less than what the tower is off by
    off = components(truth) - components(plan.placement)
    assert np.all(np.array(list(found.u.values())) < 0.5 * np.abs(off))


@pytest.mark.slow
def test_claimed_uncertainties_cover_the_error_over_many_noises():
    """36 sums of squared normalised errors against chi-square of 6 degrees of freedom."""
    plan = small(PLAN)
    stands, target = moved(plan), TARGETS["a ChArUco board"]
    T = stands.T_bay_camera.inverse() @ MARK.T_bay_target()
    total, n = 0.0, 36
    for seed in range(n):
        rng = np.random.default_rng(seed)
        picture = render_target(target, T, stands.camera, stands.imaging, rng)
        found = pose_from_picture(picture, plan, target, MARK)
        error = components(found.placement) - components(stands.placement)
        total += float(error @ np.linalg.solve(found.covariance, error))
    # 216 degrees of freedom: mean 216, standard deviation sqrt(2 * 216) = 20.8; four of them
    assert abs(total - 6 * n) < 4.0 * math.sqrt(2.0 * 6 * n)


def test_covariance_of_picture_and_mark_matches_monte_carlo():
    T = PLAN.T_bay_camera.inverse() @ MARK.T_bay_target()
    mark = replace(MARK, u_length=0.002, u_angle=math.radians(0.05))
    rng = np.random.default_rng(1)
    half = rng.normal(size=(6, 6)) * np.array([1e-3, 1e-3, 5e-4, 2e-3, 1e-3, 4e-3])[:, None]
    covariance = half @ half.T

    stands = mark.T_bay_target()
    draws = []
    for _ in range(4000):
        x = half @ rng.normal(size=6)
        turn, shift = rng.normal(0.0, mark.u_angle, 3), rng.normal(0.0, mark.u_length, 3)
        seen = Pose(T.rotation @ exp_rotvec(x[:3]), T.translation + x[3:])
        put = Pose(exp_rotvec(turn) @ stands.rotation, stands.translation + shift)
        draws.append(components(placement_of(put @ seen.inverse())))
    sample = np.std(draws, axis=0)
    claimed = np.sqrt(np.diag(_covariance(T, covariance, mark)))
    # a standard deviation of 4000 draws scatters by 1/sqrt(8000) = 1.1 %; four of these
    assert_allclose(sample, claimed, rtol=0.045)
    assert len(COMPONENTS) == 6


def test_a_photograph_without_the_target_is_refused(tmp_path):
    path = tmp_path / "empty.png"
    grey = np.full((PLAN.camera.height, PLAN.camera.width), 90, np.uint8)
    path.write_bytes(cv2.imencode(".png", grey)[1].tobytes())
    with pytest.raises(ConfigError, match=r"empty\.png: marker 36h11-7.*no such target"):
        pose_from_photo(path, PLAN, BAY.target, MARK)


def test_a_photograph_of_another_camera_is_refused(tmp_path):
    path = tmp_path / "other.png"
    path.write_bytes(cv2.imencode(".png", np.full((48, 64), 90, np.uint8))[1].tobytes())
    with pytest.raises(PictureError, match="64 x 48 px"):
        pose_from_photo(path, PLAN, BAY.target, MARK)


def test_a_detector_that_cannot_look_for_the_target_is_refused():
    picture = Picture(np.full((PLAN.camera.height, PLAN.camera.width), 90, np.uint8))
    with pytest.raises(ConfigError, match="pipeline charuco/ippe-lm"):
        pose_from_picture(picture, PLAN, BAY.target, MARK, "charuco/ippe-lm")
