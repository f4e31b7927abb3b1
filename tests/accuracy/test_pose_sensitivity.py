"""A fact of the trade: a camera sees little of a target's angle face-on, much more at 50 degrees.

Common practice, no source. Shown here by the covariance code, and by how much.
"""

import numpy as np
import pytest

from bench.geometry.camera import Camera
from bench.geometry.viewing import View, pose_of_view
from bench.solve.covariance import pose_covariance
from bench.typing import Array

CAMERA = Camera(4000, 3000, 3000.0, 3000.0, 2000.0, 1500.0)
S = 0.2
SQUARE = 0.5 * S * np.array([[-1.0, 1, 0], [1, 1, 0], [1, -1, 0], [-1, -1, 0]])


def sigma_turn_deg(z: float, tilts_deg: Array) -> Array:
    """Return the standard uncertainty of the turn at each tilt, degrees, for 0.1 px."""
    poses = [pose_of_view(View(z, float(tilt)), CAMERA) for tilt in np.deg2rad(tilts_deg)]
    variances = [pose_covariance(SQUARE, pose, CAMERA, 0.1)[1, 1] for pose in poses]
    return np.rad2deg(np.sqrt(variances))


@pytest.mark.parametrize("z", [3.0, 5.0, 10.0, 18.0])
def test_sensitivity_to_angle_is_least_face_on(z: float) -> None:
    sigma = sigma_turn_deg(z, np.arange(-60.0, 61.0, 5.0))
    assert np.argmax(sigma) == 12  # tilt 0
    # and falls steadily from there to 50 degrees on either side
    assert np.all(np.diff(sigma[2:13]) > 0.0)
    assert np.all(np.diff(sigma[12:23]) < 0.0)


@pytest.mark.parametrize(("z", "times"), [(3.0, 19.3), (5.0, 32.2), (10.0, 64.4), (18.0, 116.0)])
def test_angle_is_known_tens_of_times_better_at_fifty_degrees(z: float, times: float) -> None:
    face_on, tilted = sigma_turn_deg(z, np.array([0.0, 50.0]))
    # the ratio of the two closed forms (test_pose_closed_forms):
    # 2 (Z/s) sin θ/√(1 + cos² θ) = 1.288 Z/s at 50 degrees, but for terms of a few (s/Z)²
    theta = np.deg2rad(50.0)
    closed = 2.0 * (z / S) * np.sin(theta) / np.sqrt(1.0 + np.cos(theta) ** 2)
    assert face_on / tilted == pytest.approx(closed, rel=3.0 * (S / z) ** 2)
    assert face_on / tilted == pytest.approx(times, rel=0.02)


def test_most_of_the_gain_comes_early() -> None:
    # at 5 m: 2.39 deg at 0, 0.25 at 15, 0.13 at 30, 0.074 at 50 (0.1 px, 0.2 m, f = 3000 px)
    sigma = sigma_turn_deg(5.0, np.array([0.0, 15.0, 30.0, 50.0]))
    assert sigma == pytest.approx([2.387, 0.2548, 0.1261, 0.0740], rel=2e-3)
