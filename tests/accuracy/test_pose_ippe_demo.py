"""IPPE against its authors' own demonstration.

Source: T. Collins' IPPE repository (C++ demo of the square point set; Collins and Bartoli 2014,
doi:10.1007/s11263-014-0725-5): a square of side 10, f = 500 px, c = (320, 240), rotation
vector (0.1, -0.3, 0.6), translation (5, 10, 20·1.2^k). The residuals of the second solution
are those that OpenCV reports for it, `solvePnPGeneric`'s RMSE per coordinate.
"""

import numpy as np
import pytest

from bench.detect.detection import Detection, Found
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.solve.ippe import ippe_poses
from bench.solve.points import planar_points

CAMERA = Camera(640, 480, 500.0, 500.0, 320.0, 240.0)
SQUARE = np.array([[-5.0, 5.0, 0.0], [5.0, 5.0, 0.0], [5.0, -5.0, 0.0], [-5.0, -5.0, 0.0]])


@pytest.mark.parametrize(
    ("k", "rmse_px", "half_digit"),
    [(1, 19.42, 5e-3), (5, 3.4396, 5e-5), (10, 0.43913, 5e-6), (15, 0.062698, 5e-7)],
)
def test_square_demo_first_solution_is_exact_second_has_the_printed_residual(
    k: int, rmse_px: float, half_digit: float
) -> None:
    rotvec, translation = np.array([0.1, -0.3, 0.6]), np.array([5.0, 10.0, 20.0 * 1.2**k])
    pose = Pose.from_rotvec(rotvec, translation)
    pixels = project(SQUARE, pose, CAMERA)
    points = planar_points(Detection(Found.FOUND, pixels, SQUARE), CAMERA)
    assert points is not None
    # this square's z runs away from the camera, so that a solver, which wants a target's
    # front, would refuse it; the method is below that
    residuals = [project(SQUARE, Pose(r, t), CAMERA) - pixels for r, t in ippe_poses(points)]
    first, second = sorted(float(np.sqrt(np.mean(r**2))) for r in residuals)
    # pixel coordinates round at 1e-13, times a conditioning of range to size, 31 at most,
    # squared
    assert first < 1e-10
    assert abs(second - rmse_px) <= half_digit
    exact = ippe_poses(points)[int(np.argmin([np.mean(r**2) for r in residuals]))]
    assert np.max(np.abs(exact[0] - pose.rotation)) < 1e-9
    assert np.max(np.abs(exact[1] - translation)) < 1e-9 * translation[2]
