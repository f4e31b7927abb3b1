"""OpenCV's general PnP solvers, as OpenCV gives them.

They return one pose and don't know of the two-fold ambiguity: the runner-up in the estimate is
the minimum reached from the mirror image of their answer. It doesn't replace the answer, even
where it fits better: which branch a solver takes is part of what is measured.
"""

from __future__ import annotations

from typing import ClassVar

import cv2
import numpy as np

from bench.detect.detection import Detection
from bench.detect.observation import Observation
from bench.geometry.camera import Camera
from bench.geometry.lens_models import BROWN
from bench.solve.conclude import NOT_FINITE, conclude, not_found
from bench.solve.estimate import Estimate
from bench.solve.points import PlanarPoints, planar_points
from bench.solve.refine import fit_of
from bench.typing import Array

# Points go to OpenCV in a frame with y down and z into the face, as its own documentation
# draws a marker. A target that faces the camera is then near no rotation, instead of near a
# half turn, where rotation vectors change sign.
FLIP = np.diag([1.0, -1.0, -1.0])


class _OpenCvSolver:
    """Common part: points in, one pose out."""

    name: ClassVar[str]
    flag: ClassVar[int]
    in_pixels: ClassVar[bool] = False

    def solve(self, detection: Detection, observation: Observation) -> Estimate:
        """Estimate the target's pose in the camera frame."""
        missing = not_found(detection)
        if missing is not None:
            return missing
        camera = observation.camera
        points = planar_points(detection, camera)
        pose = None if points is None else self._pose(points, camera)
        if points is None or pose is None:
            return NOT_FINITE
        return conclude([fit_of(*pose, points, camera)], points, camera, detection.sigma_px)

    def _pose(self, points: PlanarPoints, camera: Camera) -> tuple[Array, Array] | None:
        """Return rotation (3, 3) and translation (3,), or None where OpenCV finds none."""
        if self.in_pixels and camera.model == BROWN:
            seen, matrix, distortion = points.pixels, camera.matrix, camera.distortion_vector
        else:
            seen, matrix, distortion = points.xy, np.eye(3), None
        try:
            found, rotvec, translation = cv2.solvePnP(
                points.p_target @ FLIP, seen, matrix, distortion, flags=self.flag
            )
        except cv2.error:  # its own checks of degenerate input
            return None
        if not found or not np.all(np.isfinite(rotvec)) or not np.all(np.isfinite(translation)):
            return None
        return cv2.Rodrigues(rotvec)[0] @ FLIP, translation.reshape(3)


class SqpnpSolver(_OpenCvSolver):
    """SQPnP.

    Equation: minimum over rotations of a quadratic form in R's nine elements (algebraic
    error, object space), by sequential quadratic programming from several starts.
    Paper: Terzakis and Lourakis 2020, doi:10.1007/978-3-030-58452-8_28.
    Precondition: three or more points, here four in a plane; normalised pixels.
    """

    name = "sqpnp"
    flag = cv2.SOLVEPNP_SQPNP


class EpnpSolver(_OpenCvSolver):
    """EPnP.

    Equation: points as weighted sums of control points, whose camera coordinates lie in the
    null space of a linear system.
    Paper: Lepetit, Moreno-Noguer and Fua 2009, doi:10.1007/s11263-008-0152-6.
    Precondition: four or more points; in a plane, with noise, it is known to be weak.
    """

    name = "epnp"
    flag = cv2.SOLVEPNP_EPNP


class IterativeSolver(_OpenCvSolver):
    """OpenCV's default.

    Equation: minimum of Σ |pixel - projection|² by Levenberg-Marquardt from the pose of the
    plane's homography, one branch only.
    Paper: Zhang 2000, doi:10.1109/34.888718, for the start; Marquardt 1963.
    Precondition: four or more points of a plane; raw pixels with the camera's distortion, but
    normalised ones through a rational or fisheye lens.
    """

    name = "iterative"
    flag = cv2.SOLVEPNP_ITERATIVE
    in_pixels = True
