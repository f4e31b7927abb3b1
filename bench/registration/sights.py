"""Sights of a bar's targets, step by step: the input of a registration.

A bar carries target A at one end and B at the other. Each step of the bar gives, for each
tower and each target that it sees, either points in its picture or a measured pose. The left
tower usually sees A and the right one B; either may see both, or both the same one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from bench.detect.detection import Detection, Found
from bench.errors import GeometryError
from bench.geometry.camera import Camera, pose_jacobian, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import log_rotation, right_jacobian
from bench.solve.conclude import conclude
from bench.solve.estimate import Outcome
from bench.solve.ippe import ippe_poses
from bench.solve.points import planar_points
from bench.solve.refine import refine
from bench.typing import Array

Side = Literal["left", "right"]
End = Literal["A", "B"]


@dataclass(frozen=True, eq=False)
class Cameras:
    """The two towers' cameras; None where only measured poses come from a tower."""

    left: Camera | None = None
    right: Camera | None = None

    def of(self, tower: str) -> Camera:
        """Return a tower's camera.

        Raises
        ------
        GeometryError
            There is none.
        """
        camera = self.left if tower == "left" else self.right
        if camera is None:
            raise GeometryError(f"points in the {tower} tower's pictures need its camera")
        return camera


@dataclass(frozen=True, eq=False)
class Sight:
    """Points of one target in one tower's picture.

    Attributes
    ----------
    tower : {"left", "right"}
        Whose picture.
    end : {"A", "B"}
        Which target.
    p_target : (N, 3) float64
        Points in the target's frame, metres.
    pixels : (N, 2) float64
        Where they were found.
    sigma_px : float
        Standard deviation of a coordinate.
    """

    tower: Side
    end: End
    p_target: Array
    pixels: Array
    sigma_px: float

    @property
    def size(self) -> int:
        """Number of residuals."""
        return 2 * len(self.pixels)

    def residual(self, T_camera_target: Pose, cameras: Cameras) -> Array:
        """Return found minus predicted over sigma, (2 N,)."""
        predicted = project(self.p_target, T_camera_target, cameras.of(self.tower))
        return np.asarray((self.pixels - predicted).reshape(-1) / self.sigma_px)

    def jacobian(self, T_camera_target: Pose, cameras: Cameras) -> Array:
        """Return the derivative (2 N, 6) of `residual` with respect to the pose's (ω, τ)."""
        jacobian = pose_jacobian(self.p_target, T_camera_target, cameras.of(self.tower))
        return np.asarray(-jacobian.reshape(-1, 6) / self.sigma_px)

    def pose(self, cameras: Cameras) -> Pose:
        """Return the pose that fits these points alone.

        Raises
        ------
        GeometryError
            None does.
        """
        camera = cameras.of(self.tower)
        detection = Detection(Found.FOUND, self.pixels, self.p_target, sigma_px=self.sigma_px)
        points = planar_points(detection, camera)
        if points is not None:
            fits = [refine(rotation, t, points, camera) for rotation, t in ippe_poses(points)]
            fits.sort(key=lambda fit: fit.sse_px2)
            estimate = conclude(fits, points, camera, self.sigma_px)
            pose = estimate.T_camera_target_est
            if estimate.outcome is not Outcome.NOT_FINITE and pose is not None:
                return pose
        raise GeometryError(
            f"no pose fits target {self.end}'s points in the {self.tower} tower's picture"
        )


@dataclass(frozen=True, eq=False)
class MeasuredPose:
    """A target's pose as somebody measured it in one tower's frame.

    Attributes
    ----------
    tower, end : str
        As of `Sight`.
    T_camera_target : Pose
        Measured.
    covariance : (6, 6) float64
        Of (ω, τ): rotation about the target's axes, radians; translation in the camera frame,
        metres. See `bench.geometry.camera.pose_jacobian`.
    p_target : (N, 3) float64, optional
        The points whose places in a picture the pose rests on, target frame, metres: they tell
        how it follows an error of the camera. Unknown for a pose from elsewhere.

    Raises
    ------
    GeometryError
        The covariance isn't symmetric and positive definite.
    """

    tower: Side
    end: End
    T_camera_target: Pose
    covariance: Array
    p_target: Array | None = None

    def __post_init__(self) -> None:
        try:
            root = np.linalg.cholesky(self.covariance)
        except np.linalg.LinAlgError as error:
            raise GeometryError(
                f"the covariance of target {self.end} seen by the {self.tower} tower isn't "
                "positive definite"
            ) from error
        object.__setattr__(self, "_whitener", np.linalg.inv(root))

    @property
    def whitener(self) -> Array:
        """The matrix (6, 6) that makes errors of the pose independent, of unit variance."""
        found: Array = self.__dict__["_whitener"]
        return found

    @property
    def size(self) -> int:
        """Number of residuals."""
        return 6

    def residual(self, T_camera_target: Pose, cameras: Cameras) -> Array:
        """Return measured minus predicted, whitened, (6,)."""
        measured = self.T_camera_target
        turned = log_rotation(T_camera_target.rotation.T @ measured.rotation)
        moved = measured.translation - T_camera_target.translation
        return np.asarray(self.whitener @ np.concatenate((turned, moved)))

    def jacobian(self, T_camera_target: Pose, cameras: Cameras) -> Array:
        """Return the derivative (6, 6) of `residual` with respect to the pose's (ω, τ).

        log(exp(-ω) exp(r)) is r - J⁻¹ ω with J the left Jacobian of r.
        """
        turned = log_rotation(T_camera_target.rotation.T @ self.T_camera_target.rotation)
        jacobian = -np.eye(6)
        jacobian[:3, :3] = -np.linalg.inv(right_jacobian(-turned))
        return np.asarray(self.whitener @ jacobian)

    def pose(self, cameras: Cameras) -> Pose:
        """Return the pose itself."""
        return self.T_camera_target


@dataclass(frozen=True, eq=False)
class Step:
    """What was seen while the bar stood still.

    Attributes
    ----------
    name : str
        For tables.
    sights : tuple of Sight or MeasuredPose
        One for each tower and target.
    """

    name: str
    sights: tuple[Sight | MeasuredPose, ...]

    def find(self, tower: str, end: str) -> Sight | MeasuredPose | None:
        """Return what a tower has of a target, or None."""
        for sight in self.sights:
            if sight.tower == tower and sight.end == end:
                return sight
        return None


def own_poses(steps: Sequence[Step], cameras: Cameras) -> Mapping[tuple[int, str, str], Pose]:
    """Return the pose that each sight gives by itself, by step's index, tower and end.

    Raises
    ------
    GeometryError
        A sight's points fit no pose; the step is named.
    """
    found: dict[tuple[int, str, str], Pose] = {}
    for index, step in enumerate(steps):
        for sight in step.sights:
            try:
                found[index, sight.tower, sight.end] = sight.pose(cameras)
            except GeometryError as error:
                raise GeometryError(f"{step.name}: {error}") from error
    return found
