import numpy as np
import pytest

from bench.cameras.intrinsics import BoardView, Calibration, LensModel
from bench.cameras.intrinsics_views import OUTSTANDING, coverage_counts, reach, view_scores
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose

CAMERA = Camera(640, 480, 500.0, 500.0, 319.5, 239.5)


def calibration_with(residuals):
    poses = tuple(Pose.identity() for _ in residuals)
    rmse = np.array([np.sqrt(np.mean(np.sum(r**2, axis=1))) for r in residuals])
    return Calibration(CAMERA, LensModel(), np.zeros((9, 9)), poses, tuple(residuals), 0.2, rmse)


def normal_residuals(seed, views=13, points=54):
    rng = np.random.default_rng(np.random.SeedSequence([seed, 7]))
    return list(rng.normal(0.0, 0.2, (views, points, 2)))


def test_view_six_times_worse_than_the_rest_stands_out_alone():
    residuals = normal_residuals(1)
    residuals[1] = 6.0 * residuals[1]
    scores = view_scores(calibration_with(residuals))
    assert np.flatnonzero(scores > OUTSTANDING).tolist() == [1]


def test_equally_good_views_seldom_stand_out():
    # with the spread floored at its theoretical value a score is at most a standard normal
    # deviate (Student-like in small sets, floored): Φ(-3.5) = 2.3e-4 a view, so that 13 views
    # in 100 sets expect 0.3 false alarms; 4 or more have a chance below 1e-3
    alarms = sum(
        int(np.sum(view_scores(calibration_with(normal_residuals(seed))) > OUTSTANDING))
        for seed in range(100)
    )
    assert alarms < 4


def test_identical_views_have_score_zero():
    residuals = [normal_residuals(1)[0]] * 5
    np.testing.assert_array_equal(view_scores(calibration_with(residuals)), 0.0)


def test_coverage_counts_every_point_once():
    corners = np.array([[-0.5, -0.5], [639.5, -0.5], [639.5, 479.5], [-0.5, 479.5]])
    view = BoardView("a", np.vstack((corners, [[319.0, 239.0]])), np.zeros((5, 3)))
    counts = coverage_counts([view, view], (640, 480), cells=(4, 2))
    np.testing.assert_array_equal(counts, [[2, 2, 0, 2], [2, 0, 0, 2]])


def test_reach_is_one_at_the_farthest_corner():
    calibration = calibration_with(normal_residuals(1))
    at_corner = BoardView("a", np.array([[0.0, 0.0], [300.0, 200.0]]), np.zeros((2, 3)))
    half = BoardView("b", np.array([[319.5 + 319.5 / 2, 239.5 + 239.5 / 2]]), np.zeros((1, 3)))
    assert reach([half, at_corner], calibration) == pytest.approx(1.0)
    assert reach([half], calibration) == pytest.approx(0.5)
