"""Tags of known places, their corners projected: pose, covariance, and which place is wrong."""

import numpy as np
import pytest
from scipy import stats

from bench.cameras.layout import Tag, TagSeen, pose_in_layout
from bench.errors import GeometryError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import log_rotation, skew
from bench.solve.covariance import propagate

CAMERA = Camera(1280, 960, 1400.0, 1400.0, 645.0, 470.0, (-0.1, 0.02, 0.0, 0.0, 0.0))
CORNERS = 0.1 * np.array([[-1.0, 1, 0], [1, 1, 0], [1, -1, 0], [-1, -1, 0]])
PLACES = [(-0.6, 0.4, 0.0), (0.6, 0.4, 0.1), (0.6, -0.4, 0.0), (-0.6, -0.4, 0.2), (0.0, 0.0, 0.0)]
TURNS = [(0.0, 0.2, 0.0), (0.0, -0.2, 0.3), (0.1, 0.0, 0.0), (0.0, 0.0, -0.4), (0.2, 0.1, 0.0)]
T_CAMERA_LAYOUT = Pose.from_rotvec(np.array([np.pi - 0.3, 0.1, 0.05]), np.array([0.05, 0.02, 3.0]))
SIGMA = 0.1


def seen_tags(rng=None, moved=None, u_m=0.0, count=5):
    """Tags as they stand; `moved` shifts some of them by metres, which the layout doesn't know."""
    found = []
    for i, (place, turn) in enumerate(zip(PLACES[:count], TURNS[:count], strict=True)):
        stated = Pose.from_rotvec(np.array(turn), np.array(place))
        shift = np.zeros(3) if moved is None else np.array(moved.get(i, np.zeros(3)), float)
        if rng is not None and u_m:
            shift = shift + rng.normal(0.0, u_m, 3)
        true = T_CAMERA_LAYOUT @ Pose(stated.rotation, stated.translation + shift)
        pixels = project(CORNERS, true, CAMERA)
        if rng is not None:
            pixels = pixels + rng.normal(0.0, SIGMA, pixels.shape)
        covariance = SIGMA**2 * np.eye(8)
        found.append(TagSeen(Tag(f"tag {i}", stated, u_m), pixels, CORNERS, covariance, (true,)))
    return found


def errors(result):
    """Rotation about the layout's axes and centre, as the covariance has them."""
    true = T_CAMERA_LAYOUT.inverse()
    turn = log_rotation(result.T_layout_camera.rotation @ true.rotation.T)
    return np.concatenate((turn, result.T_layout_camera.translation - true.translation))


def test_exact_corners_give_the_pose():
    result = pose_in_layout(seen_tags(), CAMERA)
    np.testing.assert_allclose(errors(result), 0.0, atol=1e-9)
    assert result.misplaced == []
    assert result.freedom == 5 * 8 - 6


@pytest.mark.parametrize("u_m", [pytest.param(0.0, marks=pytest.mark.slow), 5e-4])
def test_covariance_and_misfit_are_as_stated(u_m):
    n, poses, misfits = 12, 0.0, 0.0
    for seed in range(n):
        rng = np.random.default_rng(np.random.SeedSequence([seed, 31]))
        result = pose_in_layout(seen_tags(rng, u_m=u_m), CAMERA)
        error = errors(result)
        poses += error @ np.linalg.solve(result.covariance, error)
        misfits += result.chi_square
        assert result.misplaced == []  # 0.001 a picture: chance of one in 12 is 1 %, and seeded
    for total, freedom in ((poses, 6 * n), (misfits, 34 * n)):
        low, high = stats.chi2.ppf([0.0005, 0.9995], freedom)
        assert low < total < high


@pytest.mark.parametrize("wrong", range(5))
def test_tag_that_is_not_where_it_should_be_is_named_with_its_shift(wrong):
    rng = np.random.default_rng(np.random.SeedSequence([wrong, 37]))
    shift = np.array([4e-3, -3e-3, 0.0])
    result = pose_in_layout(seen_tags(rng, moved={wrong: shift}), CAMERA)
    assert result.misplaced == [f"tag {wrong}"]
    assert not result.contradicted
    verdict = result.tags[wrong]
    # its own pose is the truth here, so that its shift is off by the others' pose alone: a turn
    # about the camera's centre and the centre's own error; 4 standard uncertainties
    lever = PLACES[wrong] - result.T_layout_camera.translation
    spread = propagate(np.hstack((-skew(lever), np.eye(3))), result.covariance)
    assert np.all(np.abs(verdict.off.translation - shift) < 4.0 * np.sqrt(np.diag(spread)))
    error = errors(result)
    assert error @ np.linalg.solve(result.covariance, error) < stats.chi2.ppf(0.9999, 6)


def test_two_wrong_tags_of_five_are_both_named():
    rng = np.random.default_rng(41)
    moved = {0: (6e-3, 0.0, 0.0), 3: (0.0, 8e-3, 0.0)}
    assert pose_in_layout(seen_tags(rng, moved=moved), CAMERA).misplaced == ["tag 0", "tag 3"]


def test_of_two_tags_that_contradict_each_other_neither_is_blamed():
    rng = np.random.default_rng(43)
    result = pose_in_layout(seen_tags(rng, moved={1: (0.02, 0, 0)}, count=2), CAMERA)
    assert result.contradicted
    assert result.misplaced == []


def test_one_tag_gives_a_pose_and_none_is_refused():
    result = pose_in_layout(seen_tags(count=1), CAMERA)
    np.testing.assert_allclose(errors(result), 0.0, atol=1e-8)
    assert result.tags[0].p == 1.0
    with pytest.raises(GeometryError, match="no tag of the layout"):
        pose_in_layout([], CAMERA)
