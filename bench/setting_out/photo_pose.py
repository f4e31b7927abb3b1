"""A tower's pose from a photograph, taken by its camera, of a target on a known floor mark."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bench.detect.observation import Observation
from bench.errors import ConfigError
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec, rotation_x, rotation_z
from bench.imaging.picture import Picture
from bench.imaging.read import read_picture
from bench.scene.model import Placement, Tower
from bench.scene.vehicle import R_BAY_SQUARE_TARGET
from bench.setting_out.placements import placement_of
from bench.solve.default_pipeline import default_pipeline
from bench.solve.estimate import Estimate, Outcome
from bench.solve.pipeline import pipeline_from_name
from bench.targets.target import Target
from bench.typing import Array

# Order of covariances and Jacobians here.
COMPONENTS = ("offset", "height", "forward", "yaw", "pitch", "roll")
STEP = 1e-6  # of central differences, metres and radians: error and rounding stay below 1e-9


@dataclass(frozen=True)
class FloorMark:
    """Where a target stands on the floor, and which way it faces.

    Attributes
    ----------
    offset : float
        Of the target's centre from the centre line, metres, positive to the vehicle's left.
    distance : float
        From the tower line to its centre along the bay, metres, positive toward the vehicle.
    height : float
        Of its centre above the floor, metres.
    heading : float
        Of its normal from straight toward the tower line, about the vertical, radians, positive
        to the vehicle's left.
    pitch : float
        Of its normal above the horizontal, radians; 0 for a plate that stands upright.
    u_length, u_angle : float
        Standard uncertainty of each of its three lengths, metres, and of each of its three
        rotations, radians.
    """

    offset: float
    distance: float
    height: float
    heading: float = 0.0
    pitch: float = 0.0
    u_length: float = 0.0
    u_angle: float = 0.0

    def T_bay_target(self) -> Pose:
        """Return the target's pose."""
        rotation = rotation_z(self.heading) @ R_BAY_SQUARE_TARGET @ rotation_x(-self.pitch)
        return Pose(rotation, np.array([-self.distance, self.offset, self.height]))


@dataclass(frozen=True, eq=False)
class PhotoPose:
    """A tower's placement from a photograph.

    Attributes
    ----------
    placement : Placement
        Of the camera.
    covariance : (6, 6) float64
        Of offset, height, forward, yaw, pitch, roll; metres and radians: picture and mark, but
        neither the camera's intrinsics nor the target's size.
    pipeline : str
        What measured the picture.
    rmse_px : float
        Residual.
    by_plan : bool
        Whether the picture alone couldn't tell the two solutions of a plane apart, so that the
        one nearer to the plan was taken.
    """

    placement: Placement
    covariance: Array
    pipeline: str
    rmse_px: float
    by_plan: bool

    @property
    def u(self) -> dict[str, float]:
        """Standard uncertainties by component."""
        return dict(zip(COMPONENTS, np.sqrt(np.diag(self.covariance)).tolist(), strict=True))


def pose_from_photo(
    path: Path, tower: Tower, target: Target, mark: FloorMark, pipeline: str | None = None
) -> PhotoPose:
    """Return where a tower's camera stood when it took a picture file.

    Raises
    ------
    PictureError
        The file can't be read, or isn't the camera's size.
    ConfigError
        The target isn't in the picture, or is but can't be measured.
    PlugInError
        See `bench.solve.pipeline`.
    """
    picture = read_picture(path, tower.camera)
    try:
        return pose_from_picture(picture, tower, target, mark, pipeline)
    except ConfigError as error:
        raise ConfigError(f"{path}: {error}") from error


def pose_from_picture(
    picture: Picture, tower: Tower, target: Target, mark: FloorMark, pipeline: str | None = None
) -> PhotoPose:
    """Return where a tower's camera stood when it took a picture; see `pose_from_photo`."""
    chosen = pipeline_from_name(pipeline or default_pipeline(target))
    reason = chosen.refusal(target)
    if reason:
        raise ConfigError(reason)
    sensor = tower.imaging.sensor
    _, estimate = chosen.run(Observation(picture, tower.camera, target, sensor))
    solutions = _solutions(estimate, target, chosen.name)
    T_bay_target = mark.T_bay_target()
    found = [placement_of(T_bay_target @ T.inverse()) for T in solutions]
    nearest = min(range(len(found)), key=lambda i: _apart(found[i], tower.placement))
    by_plan = len(found) > 1
    assert estimate.covariance is not None
    return PhotoPose(
        found[nearest],
        _covariance(solutions[nearest], estimate.covariance, mark),
        chosen.name,
        estimate.rmse_px,
        by_plan,
    )


def _solutions(estimate: Estimate, target: Target, name: str) -> list[Pose]:
    """Return the poses that the picture allows: one, or two where it can't tell."""
    best = estimate.T_camera_target_est
    if best is None or estimate.covariance is None:
        what = {
            Outcome.MISSED: "no such target is in it",
            Outcome.WRONG_ID: "only markers with other ids are in it",
        }.get(estimate.outcome, "its pose has no finite solution")
        raise ConfigError(f"{target.name}: {what}, says {name}")
    if estimate.outcome is Outcome.UNEXPLAINED:
        raise ConfigError(f"{target.name}: what its pose leaves contradicts it, says {name}")
    if estimate.outcome is Outcome.AMBIGUOUS and estimate.runner_up is not None:
        return [best, estimate.runner_up]
    return [best]


def _apart(a: Placement, b: Placement) -> float:
    """Return how far the views of two placements are apart, radians."""
    turn = a.T_bay_camera().rotation.T @ b.T_bay_camera().rotation
    return math.acos(min(1.0, max(-1.0, 0.5 * (float(np.trace(turn)) - 1.0))))


def _covariance(T_camera_target: Pose, covariance: Array, mark: FloorMark) -> Array:
    """Propagate picture and mark to the placement: GUM's law (JCGM 100, 5.1.2 and 5.2.2)."""
    T_bay_target = mark.T_bay_target()

    def place(x: Array) -> Array:
        # x: the picture's (ω, τ) as `pose_jacobian` has them, then the mark's rotation about
        # the bay's axes and its shift
        seen = Pose(
            T_camera_target.rotation @ exp_rotvec(x[:3]), T_camera_target.translation + x[3:6]
        )
        stands = Pose(exp_rotvec(x[6:9]) @ T_bay_target.rotation, T_bay_target.translation + x[9:])
        return components(placement_of(stands @ seen.inverse()))

    steps = STEP * np.eye(12)
    jacobian = np.stack([(place(s) - place(-s)) / (2.0 * STEP) for s in steps], axis=1)
    inputs = np.zeros((12, 12))
    inputs[:6, :6] = covariance
    inputs[6:9, 6:9] = mark.u_angle**2 * np.eye(3)
    inputs[9:, 9:] = mark.u_length**2 * np.eye(3)
    result: Array = jacobian @ inputs @ jacobian.T
    return result


def components(placement: Placement) -> Array:
    """Return a placement as the array (6,) of `COMPONENTS`."""
    return np.array([getattr(placement, name) for name in COMPONENTS])
