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
from bench.imaging.kernel import kernel
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


def _solve(detection: Detection, camera: Camera, *, refined: bool) -> Estimate:
    missing = not_found(detection)
    if missing is not None:
        return missing
    points = planar_points(detection, camera)
    if points is None:
        return NOT_FINITE
    improve = refine if refined else fit_of
    fits = [improve(rotation, t, points, camera) for rotation, t in ippe_poses(points)]
    fits.sort(key=lambda fit: fit.sse_px2)
    return conclude(fits, points, camera, detection.sigma_px)


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
    origin = np.array([[u], [v]])
    jacobian = homography[:2, :2] - origin * homography[2, :2]
    norm = np.sqrt(u * u + v * v + 1.0)
    c = 1.0 / (norm * (norm + 1.0))
    look = np.array(
        [
            [1.0 - u * u * c, -u * v * c, u / norm],
            [-u * v * c, 1.0 - v * v * c, v / norm],
            [-u / norm, -v / norm, 1.0 / norm],
        ]
    )
    block = np.linalg.solve(look[:2, :2] - origin * look[2, :2], jacobian)
    gram = block.T @ block
    gamma2 = 0.5 * (gram[0, 0] + gram[1, 1] + np.hypot(gram[0, 0] - gram[1, 1], 2 * gram[0, 1]))
    block *= 1.0 / np.sqrt(gamma2)
    # third row b: b bᵀ = 1 - blockᵀ block. Clamped, and from its larger diagonal element: the
    # other may round below zero
    rest = np.eye(2) - gram / gamma2
    larger = 0 if rest[0, 0] > rest[1, 1] else 1
    row = np.zeros(2)
    if rest[larger, larger] > 0.0:
        row[larger] = np.sqrt(rest[larger, larger])
        row[1 - larger] = rest[0, 1] / row[larger]
    rotations = np.empty((2, 3, 3))
    for k in range(2):
        sign = 1.0 - 2.0 * k
        turned = np.empty((3, 3))
        turned[:2, :2] = block
        turned[2, :2] = sign * row
        turned[:, 2] = np.cross(turned[:, 0], turned[:, 1])
        rotations[k] = look @ turned
    return rotations
