"""The length check."""

from dataclasses import replace

import numpy as np
import pytest

from bench.errors import ConfigError
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.proof.length import LengthPlan, default_places, evaluate_length, plan_length
from bench.scene.bar import BarPose
from bench.scene.load import load_bay
from bench.scene.model import Bay
from bench.solve.covariance import pose_covariance
from bench.solve.response import target_points
from bench.typing import Array

SIGMA_PX = 0.05
# of a registration: 0.02 deg about each axis, 1 mm along each
TIE = np.diag([3.5e-4] * 3 + [1e-3] * 3) ** 2


@pytest.fixture(scope="module")
def bay() -> Bay:
    return load_bay()


@pytest.fixture(scope="module")
def plan(bay: Bay) -> LengthPlan:
    left, right = bay.towers
    places = default_places(left, right, bay.bar, 2.4, 4.5)
    return plan_length(left, right, bay.bar, places, SIGMA_PX, TIE)


def simulate(
    bay: Bay, place: BarPose, tie: Array, rng: np.random.Generator, length: float
) -> float:
    """Return a measured length, through whole poses: nothing linear."""
    left, right = bay.towers
    bar = replace(bay.bar, length=length)
    ends = []
    for tower, T_bar_target, target in (
        (left, bar.T_bar_a, bar.target_a),
        (right, bar.T_bar_b, bar.target_b),
    ):
        T = tower.T_bay_camera.inverse() @ place.T_bay_bar @ T_bar_target
        noise = pose_covariance(target_points(target), T, tower.camera, SIGMA_PX)[3:, 3:]
        ends.append(T.translation + rng.multivariate_normal(np.zeros(3), noise))
    T_left_right = left.T_bay_camera.inverse() @ right.T_bay_camera
    wrong = Pose(T_left_right.rotation @ exp_rotvec(tie[:3]), T_left_right.translation + tie[3:])
    return float(np.linalg.norm(wrong @ ends[1] - ends[0]))


@pytest.mark.slow
def test_errors_scatter_as_planned_together_and_alone(bay: Bay, plan: LengthPlan) -> None:
    rng = np.random.default_rng(8)
    n = 500
    found = []
    p_values = []
    for _ in range(n):
        tie = rng.multivariate_normal(np.zeros(6), TIE)
        true = plan.length + plan.calibration * rng.normal()
        lengths = [simulate(bay, place, tie, rng, true) for place in plan.places]
        result = evaluate_length(plan, [[value] for value in lengths])
        found.append(result.errors)
        p_values.append(result.p_value)
    sigma = np.array(found).std(axis=0, ddof=1)
    # a standard deviation of 500 draws errs by 3.2 %
    assert sigma == pytest.approx(plan.sigma(1), rel=4 * 0.032)
    # shares of the registration's errors make them correlated; a joint test knows: 5 % in 500
    # errs by 0.01
    assert np.mean(np.array(p_values) < 0.05) == pytest.approx(0.05, abs=4 * 0.01)


def test_a_wrong_scale_is_found_as_often_as_planned(bay: Bay, plan: LengthPlan) -> None:
    scale = plan.detectable_scale(readings=3)
    rng = np.random.default_rng(9)
    covariance = plan.covariance([3] * len(plan.places))
    n, shown = 500, 0
    for _ in range(n):
        errors = rng.multivariate_normal(np.zeros(len(plan.places)), covariance)
        readings = [[plan.length * (1.0 + scale) + e] * 3 for e in errors]
        result = evaluate_length(plan, readings)
        shown += abs(result.scale) > 1.959964 * result.scale_sigma
    assert shown / n == pytest.approx(0.8, abs=4 * 0.018)


def test_a_bar_without_calibration_too_few_places_or_a_place_unseen_are_refused(bay: Bay) -> None:
    left, right = bay.towers
    places = (BarPose(3.0), BarPose(3.5), BarPose(4.0))
    loose = replace(bay.bar, length_uncertainty=None)
    with pytest.raises(ConfigError, match="isn't calibrated"):
        plan_length(left, right, loose, places, SIGMA_PX, TIE)
    with pytest.raises(ConfigError, match="3 places or more are needed, got 2"):
        plan_length(left, right, bay.bar, places[:2], SIGMA_PX, TIE)
    away = (places[0], BarPose(0.2), places[2])
    with pytest.raises(ConfigError, match="doesn't have its target in its picture at place 2"):
        plan_length(left, right, bay.bar, away, SIGMA_PX, TIE)


def test_a_place_without_readings_is_refused(plan: LengthPlan) -> None:
    readings: list[list[float]] = [[1.9] for _ in plan.places]
    readings[1] = []
    with pytest.raises(ConfigError, match="place 2 has no reading"):
        evaluate_length(plan, readings)
