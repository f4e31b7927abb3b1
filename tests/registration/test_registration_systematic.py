"""Errors of cameras and sizes that a bay's [budget] assumes are held against no registration."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from bench.digest import key_digest
from bench.registration.bar_views import cameras_of
from bench.registration.checks import FALSE_ALARM, alarms
from bench.registration.fit import NO_CAUSES, register
from bench.registration.plan import default_sequence
from bench.registration.rehearsal import Errors, Faults, draw_scene, find_points
from bench.registration.sights import Cameras
from bench.registration.taken_steps import (
    TakenSteps,
    from_rehearsal,
    judge_taken,
    render_rehearsal,
)
from bench.scene.bar import BarPose
from bench.scene.load import load_bay

# Of a corner, pixels: what a solver of grey values comes down to, so that what cameras are off
# by is a hundred times as large.
FINE_PX = 0.005


@pytest.fixture(scope="module")
def bay():
    return load_bay()


@pytest.fixture(scope="module")
def errors(bay):
    return Errors.assumed(bay.budget)


@pytest.fixture(scope="module")
def poses(bay):
    """Places from which both towers see both targets, so that residuals know of the cameras."""
    near, far = BarPose(2.08, 0.0, bay.bar.heights[1]), BarPose(5.18, 0.0, bay.bar.heights[1])
    turned = [replace(far, heading=math.radians(h)) for h in (-45.0, -30.0, 30.0, 45.0)]
    return (near, *turned, BarPose(6.22, 0.0, bay.bar.heights[0], math.radians(-45.0)))


def registered(bay, poses, errors, faults, key, causes=NO_CAUSES):
    rng = np.random.default_rng(np.random.SeedSequence([7, key_digest(key)]))
    scene = draw_scene(bay, poses, errors, faults, rng)
    steps = find_points(bay, scene, Errors(corner_px=FINE_PX), rng)
    return register(steps, cameras_of(bay), bay.bar.T_a_b, causes=causes)


@pytest.mark.slow
def test_good_registrations_pass_whatever_the_cameras_are_off_by(bay, errors, poses):
    causes = errors.causes(cameras_of(bay))
    found = [
        registered(bay, poses, errors, Faults(), f"good {trial}", causes) for trial in range(6)
    ]
    # each fails with FALSE_ALARM, 1 %: more than 2 of 6 have a chance of 2e-5
    assert FALSE_ALARM == 0.01
    assert sum(bool(alarms(one)) for one in found) <= 2
    # chi-square of all together: neither tail beyond 1 in 10,000
    total, degrees = sum(one.chi_square for one in found), sum(one.degrees for one in found)
    assert 1e-4 < chi2.cdf(total, degrees) < 1.0 - 1e-4
    # knowing of noise alone, all of it is refuted
    plain = registered(bay, poses, errors, Faults(), "good 0")
    assert plain.p_value < 1e-9
    assert alarms(plain)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("faults", "check"),
    [
        (Faults(slip=(0.0, 0.0, np.radians(0.2)), slip_step=3), "a target slipped before step 4"),
        (Faults(shift=(0.0, 3e-3, 0.0), slip_step=2), "a target slipped before step 3"),
        (Faults(size_a=1.003), "the targets' sizes don't go together"),
    ],
)
def test_a_fault_shows_beside_errors_of_cameras(bay, errors, poses, faults, check):
    causes = errors.causes(cameras_of(bay))
    found = registered(bay, poses, errors, faults, "faulty", causes)
    assert check in [c.name for c in alarms(found)]


@pytest.mark.slow
def test_a_calibrated_camera_is_off_as_its_calibration_says(bay, errors, poses):
    # tangential distortion, of which [budget] knows nothing: a pixel at the picture's edge
    modes = np.zeros((9, 2))
    modes[6, 0] = modes[7, 1] = 1e-3
    rng = np.random.default_rng(np.random.SeedSequence([7, key_digest("calibrated")]))
    scene = draw_scene(bay, poses, Errors(), Faults(), rng)
    steps = find_points(bay, scene, Errors(corner_px=FINE_PX), rng)
    true = cameras_of(bay)
    believed = Cameras(*(true.of(s).changed(modes @ [1.0, -1.0]) for s in ("left", "right")))
    taken = TakenSteps(steps, believed)
    assert not judge_taken(taken, bay, None, errors).is_clean
    assert judge_taken(taken, bay, None, errors, {"left": modes, "right": modes}).is_clean


@pytest.mark.slow
def test_a_rendered_rehearsal_passes(bay, errors, tmp_path):
    # seed 0 of the 60 that reports/registration takes; each would fail by chance with 1 %
    poses = default_sequence(bay)
    render_rehearsal(bay, poses, errors, tmp_path, 0, lambda done, total: None)
    taken = from_rehearsal(bay, tmp_path, lambda done, total: None)
    assert judge_taken(taken, bay, poses, errors).is_clean
