"""IPPE: both poses of a plane in closed form, raw or refined.

Own code, not OpenCV's ``SOLVEPNP_IPPE``, which returns success with a wrong pose where a bench
must be exact (measured on 5.0.0). At zero tilt, and wherever the tilt's axis is an axis of the
target, a square root's argument may round below zero: NaN. A target parallel to the sensor
with its y axis up is a half turn from the camera's axes, where OpenCV's conversion to a
rotation vector divides rounding errors by rounding errors: an answer off by up to 180 degrees.
Both disappear with a clamp and without rotation vectors; elsewhere the two agree to rounding,
as a test holds.
"""

from __future__ import annotations

import numpy as np

from bench.detect.detection import Detection
from bench.detect.observation import Observation
from bench.geometry.camera import Camera
from bench.kernel import kernel
from bench.solve.conclude import NOT_FINITE, conclude, not_found
from bench.solve.estimate import Estimate
from bench.solve.points import PlanarPoints, planar_points
from bench.solve.refine import fit_of, refine
from bench.typing import Array


class IppeSolver:
    """Both solutions of IPPE, the one with the smaller reprojection error first.

    Equation: the homography's value and derivative at the points' centroid give the rotation
    up to one sign; translation by linear least squares.
    Paper: Collins and Bartoli 2014, doi:10.1007/s11263-014-0725-5.
    Precondition: four or more points of a plane, no three of four on a line.
    """

    name = "ippe"

    def solve(self, detection: Detection, observation: Observation) -> Estimate:
        """Estimate the target's pose; both solutions stay in the estimate."""
        return _solve(detection, observation.camera, refined=False)


class IppeLmSolver:
    """Both solutions of IPPE, each refined; ranked after refinement.

    Equation: minimum over the pose of Σ |pixel - projection|², Levenberg-Marquardt with the
    analytic Jacobian: the maximum-likelihood pose for Gaussian corner noise.
    Paper: Collins and Bartoli 2014 for the starts; Marquardt 1963, doi:10.1137/0111030.
    Precondition: that of IPPE.
    """

    name = "ippe-lm"

    def solve(self, detection: Detection, observation: Observation) -> Estimate:
        """Estimate the target's pose; both minima stay in the estimate."""
        return _solve(detection, observation.camera, refined=True)

    def start(self, detection: Detection, observation: Observation) -> Estimate:
        """Estimate it for a fit that compares the two minima itself: they aren't judged here."""
        return _solve(detection, observation.camera, refined=True, judged=False)


def _solve(
    detection: Detection, camera: Camera, *, refined: bool, judged: bool = True
) -> Estimate:
    missing = not_found(detection)
    if missing is not None:
        return missing
    points = planar_points(detection, camera)
    if points is None:
        return NOT_FINITE
    improve = refine if refined else fit_of
    fits = [improve(rotation, t, points, camera) for rotation, t in ippe_poses(points)]
    fits.sort(key=lambda fit: fit.sse_px2)
    return conclude(fits, points, camera, detection.sigma_px, judged=judged)


def ippe_poses(points: PlanarPoints) -> list[tuple[Array, Array]]:
    """Return IPPE's two poses: rotation (3, 3) and translation (3,), target to camera.

    They coincide at zero tilt.
    """
    rotations = _rotations(points.homography)
    return list(zip(rotations, _translations(rotations, points), strict=True))


def _translations(rotations: Array, points: PlanarPoints) -> Array:
    """Return the translations (K, 3) that are best for rotations (K, 3, 3).

    Linear least squares: with r = R p, each point gives two equations,
    x (r_z + t_z) = r_x + t_x and its like in y.
    """
    turned = points.p_target @ rotations.transpose(0, 2, 1)
    equations = np.zeros((len(turned[0]), 2, 3))
    equations[:, 0, 0] = equations[:, 1, 1] = 1.0
    equations[:, :, 2] = -points.xy
    wanted = points.xy * turned[..., 2:] - turned[..., :2]
    matrix = equations.reshape(-1, 3)
    right = wanted.reshape(len(rotations), -1) @ matrix
    return np.asarray(np.linalg.solve(matrix.T @ matrix, right.T).T, dtype=np.float64)


@kernel
def _rotations(homography: Array) -> Array:
    """Return the two rotations (2, 3, 3) of a homography with last element 1.

    With v the picture of the origin and J the derivative there: turn the camera so that it
    looks at the origin (R_v). There the picture is an orthographic one of the plane, scaled by
    the largest singular value γ of A = B⁻¹ J, so that A/γ is the rotation's upper left 2 x 2
    block; the third row follows up to sign, since columns have unit length and are orthogonal.
    """
    u, v = homography[0, 2], homography[1, 2]
    norm = np.sqrt(u * u + v * v + 1.0)
    c = 1.0 / (norm * (norm + 1.0))
    look = np.array(
        [
            [1.0 - u * u * c, -u * v * c, u / norm],
            [-u * v * c, 1.0 - v * v * c, v / norm],
            [-u / norm, -v / norm, 1.0 / norm],
        ]
    )
    # B⁻¹ J; B is the upper left of `look` less (u, v) times its last row
    b00, b01 = look[0, 0] - u * look[2, 0], look[0, 1] - u * look[2, 1]
    b10, b11 = look[1, 0] - v * look[2, 0], look[1, 1] - v * look[2, 1]
    determinant = b00 * b11 - b01 * b10
    block = np.empty((2, 2))
    for k in range(2):
        j0 = homography[0, k] - u * homography[2, k]
        j1 = homography[1, k] - v * homography[2, k]
        block[0, k] = (b11 * j0 - b01 * j1) / determinant
        block[1, k] = (b00 * j1 - b10 * j0) / determinant
    g00 = block[0, 0] ** 2 + block[1, 0] ** 2
    g01 = block[0, 0] * block[0, 1] + block[1, 0] * block[1, 1]
    g11 = block[0, 1] ** 2 + block[1, 1] ** 2
    gamma2 = 0.5 * (g00 + g11 + np.hypot(g00 - g11, 2.0 * g01))
    if not gamma2 > 0.0:  # the points' picture has no extent
        return np.full((2, 3, 3), np.nan)
    # third row b: b bᵀ = 1 - blockᵀ block / γ². Clamped, and from its larger diagonal element,
    # for the other may round below zero
    rest0, rest1 = 1.0 - g00 / gamma2, 1.0 - g11 / gamma2
    row0 = row1 = 0.0
    if max(rest0, rest1) > 0.0:
        root = np.sqrt(max(rest0, rest1))
        other = -g01 / gamma2 / root
        row0, row1 = (root, other) if rest0 > rest1 else (other, root)
    rotations = np.empty((2, 3, 3))
    for k in range(2):
        sign = 1.0 - 2.0 * k
        x0, x1, x2 = block[0, 0] / np.sqrt(gamma2), block[1, 0] / np.sqrt(gamma2), sign * row0
        y0, y1, y2 = block[0, 1] / np.sqrt(gamma2), block[1, 1] / np.sqrt(gamma2), sign * row1
        for i in range(3):
            l0, l1, l2 = look[i]
            rotations[k, i, 0] = l0 * x0 + l1 * x1 + l2 * x2
            rotations[k, i, 1] = l0 * y0 + l1 * y1 + l2 * y2
            rotations[k, i, 2] = (
                l0 * (x1 * y2 - x2 * y1) + l1 * (x2 * y0 - x0 * y2) + l2 * (x0 * y1 - x1 * y0)
            )
    return rotations
