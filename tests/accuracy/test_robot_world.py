"""OpenCV 4.11's robot-world/hand-eye solvers on the same data (OpenCV 5.0 no longer has them)."""

import json
import os
import subprocess
import sys

import numpy as np
import pytest
from fixtures.bar_lists import both_ways

from bench.geometry.pose import Pose
from bench.geometry.rotation import log_rotation
from bench.registration.bar_views import T_left_right_of, cameras_of
from bench.registration.fit import register
from bench.registration.rehearsal import Errors, Faults, draw_scene, find_points
from bench.registration.sights import own_poses
from bench.registration.start import bar_from_rotations
from bench.scene.load import load_bay

pytestmark = pytest.mark.network
# T_cam_world T_world_base = T_cam_gripper T_gripper_base: left camera, A, B, right camera
REFERENCE = """
import json, sys
import cv2, numpy as np
assert cv2.__version__.startswith("4.11"), cv2.__version__
data = json.load(sys.stdin)
A, B = (np.array(data[name]) for name in "AB")
out = {}
for name in ("SHAH", "LI"):
    method = getattr(cv2, f"CALIB_ROBOT_WORLD_HAND_EYE_{name}")
    R_ab, t_ab, R_rl, t_rl = cv2.calibrateRobotWorldHandEye(
        list(A[:, :3, :3]), list(A[:, :3, 3]), list(B[:, :3, :3]), list(B[:, :3, 3]),
        method=method)
    out[name] = [R_ab.tolist(), t_ab.ravel().tolist(), R_rl.tolist(), t_rl.ravel().tolist()]
print(json.dumps(out))
"""


def reference(folder, A, B):
    data = {"A": [T.matrix.tolist() for T in A], "B": [T.matrix.tolist() for T in B]}
    done = subprocess.run(
        [sys.executable, "-c", REFERENCE],
        input=json.dumps(data),
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(folder)},
        check=True,
    )
    found = json.loads(done.stdout)
    return {name: (_pose(*numbers[:2]), _pose(*numbers[2:])) for name, numbers in found.items()}


def _pose(rotation, translation):
    u, _, vt = np.linalg.svd(np.array(rotation))  # printed doubles are orthonormal to 1e-12
    return Pose(u @ vt, np.array(translation))


def distance(a, b):
    turned = np.linalg.norm(log_rotation(a.rotation.T @ b.rotation))
    return turned, np.linalg.norm(a.translation - b.translation)


@pytest.fixture(scope="module")
def bay():
    return load_bay()


@pytest.fixture(scope="module")
def poses(bay):
    return both_ways(bay, 45.0)


def seen(bay, poses, corner_px):
    errors = Errors(corner_px=corner_px)
    rng = np.random.default_rng(5)
    scene = draw_scene(bay, poses, errors, Faults(), rng)
    steps = find_points(bay, scene, errors, rng)
    own = own_poses(steps, cameras_of(bay))
    n = range(len(poses))
    return steps, own, [own[i, "left", "A"] for i in n], [own[i, "right", "B"] for i in n]


def test_exact_data_give_the_same_transforms(bay, poses, opencv_411):
    # 1e-7 px instead of none, which a detector's sigma can't be
    steps, own, A, B = seen(bay, poses, 1e-7)
    theirs = reference(opencv_411, A, B)
    closed = bar_from_rotations(own, len(A))
    ours = register(steps, cameras_of(bay), bay.bar.T_a_b).T_left_right
    for T_b_a, T_right_left in theirs.values():
        del T_right_left
        # 1e-7 px is 1e-9 rad of a marker's corner's bearing over its 60 px: 1e-7 rad a pose at
        # worst, and the weak direction of this list takes it ten times as far
        assert max(distance(closed, T_b_a)) < 1e-5
    assert max(distance(ours, T_left_right_of(bay))) < 1e-5


def test_noisy_data_give_transforms_within_the_weaker_solvers_error(bay, poses, opencv_411):
    steps, own, A, B = seen(bay, poses, 0.06)
    theirs = reference(opencv_411, A, B)
    joint = register(steps, cameras_of(bay), bay.bar.T_a_b)
    truth = T_left_right_of(bay)
    closed = bar_from_rotations(own, len(A))
    shah_bar, _ = theirs["SHAH"]
    # both solve rotations from the same Kronecker equations, Shah by scaling, we by the null
    # vector (Li): for noise of a milliradian they part in the second order only; the joint fit,
    # which weighs by what pixels say, must come nearer to the truth than either
    ours, _ = distance(closed, shah_bar)
    sigma = np.sqrt(np.linalg.eigvalsh(joint.covariance_a_b[:3, :3])[-1])
    assert ours < 30.0 * sigma
    for _, T_left_right in theirs.values():
        assert distance(joint.T_left_right, truth)[0] < distance(T_left_right, truth)[0]
