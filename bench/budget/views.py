"""Every reading of every wheel's target on a vehicle: where it is, its noise, its answers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.errors import BenchError, ConfigError, GeometryError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.geometry.rotation import rotation_y
from bench.geometry.uncertain import axes_change
from bench.geometry.viewing import facing_rotation, view_of_pose
from bench.imaging.region import region_of
from bench.scene.model import Bay, Tower
from bench.scene.tower_pair import watching_pair
from bench.scene.vehicle import Wheel
from bench.sighting.image_bound import MARGIN_PX
from bench.sighting.prediction import Predictor
from bench.solve.bounds import image_bound
from bench.solve.covariance import pose_covariance
from bench.solve.response import (
    CameraErrors,
    camera_shift,
    face_shift,
    focal_mode,
    pose_response,
    target_points,
)
from bench.typing import Array


@dataclass(frozen=True, eq=False)
class Reading:
    """One reading of a wheel's target.

    Attributes
    ----------
    T_bay_target, T_camera_target : Pose
        True.
    covariance : (6, 6) float64
        Of (ω, τ) from noise.
    by_camera : (6, K) float64
        Change of (ω, τ) by each mode of its camera's errors.
    by_focal : (6,) float64
        Change by a relative change of the focal length.
    by_face : (6, 5) float64
        Change by the print's and the plate's causes.
    measured : bool
        Whether a map measured the ratio that the noise was scaled by; true without a map.
    """

    T_bay_target: Pose
    T_camera_target: Pose
    covariance: Array
    by_camera: Array
    by_focal: Array
    by_face: Array
    measured: bool


@dataclass(frozen=True, eq=False)
class WheelViews:
    """A wheel, its tower, and its readings: rolled, then at rest."""

    wheel: Wheel
    tower: int
    rolled: tuple[Reading, ...]
    rest: Reading


def wheel_views(
    bay: Bay,
    wheels: Sequence[Wheel],
    tyre_radius: dict[str, float],
    predictor: Predictor,
    roll_angles: Sequence[float],
    errors: tuple[CameraErrors, CameraErrors],
) -> tuple[WheelViews, ...]:
    """Return the readings of a vehicle's wheels.

    Parameters
    ----------
    bay : Bay
        As it stands.
    wheels : sequence of Wheel
        Of one vehicle at one station.
    tyre_radius : dict of str to float
        By axle, metres: how far a wheel travels as it rolls.
    predictor : Predictor
        What noise is predicted from.
    roll_angles : sequence of float
        Of the wheel, for run-out compensation, radians.
    errors : (CameraErrors, CameraErrors)
        Of the left and the right tower's camera.

    Raises
    ------
    ConfigError
        A target isn't wholly in its tower's picture in some reading.
    """
    towers = watching_pair(bay)
    views = []
    for wheel in wheels:
        index = 0 if wheel.side == "left" else 1
        radius = tyre_radius[wheel.axle]
        rolled = tuple(
            _reading(bay, towers[index], errors[index], wheel, radius, angle, predictor)
            for angle in roll_angles
        )
        rest = _reading(bay, towers[index], errors[index], wheel, radius, 0.0, predictor)
        views.append(WheelViews(wheel, index, rolled, rest))
    return tuple(views)


def _reading(
    bay: Bay,
    tower: Tower,
    errors: CameraErrors,
    wheel: Wheel,
    radius: float,
    roll: float,
    predictor: Predictor,
) -> Reading:
    T = _rolled(wheel, radius, roll)
    T_camera_target = tower.T_bay_camera.inverse() @ T
    camera, target = tower.camera, bay.target
    points = target_points(target)
    where = (
        f"budget: {wheel.vehicle} {wheel.name} at {wheel.station}, rolled by "
        f"{np.degrees(roll):.0f} deg"
    )
    try:
        if (T_camera_target.rotation.T @ T_camera_target.translation)[2] >= 0.0:
            raise GeometryError("shows its back")
        if not camera.contains(project(points, T_camera_target, camera)):
            raise GeometryError("isn't wholly in the picture")
        noise, measured = _noise(bay, tower, T_camera_target, predictor, points)
        modes = np.hstack((errors.modes, focal_mode(camera, len(errors.modes))))
        shifts = np.hstack(
            (
                camera_shift(points, T_camera_target, camera, modes),
                face_shift(points, T_camera_target, camera, target),
            )
        )
        answer = pose_response(points, T_camera_target, camera, shifts)
        n = errors.modes.shape[1]
        return Reading(
            T, T_camera_target, noise, answer[:, :n], answer[:, n], answer[:, n + 1 :], measured
        )
    except (BenchError, np.linalg.LinAlgError) as error:
        raise ConfigError(
            f"{where}: the target, seen by the {tower.name} tower, {error}"
        ) from error


def _rolled(wheel: Wheel, radius: float, roll: float) -> Pose:
    """Return the target's pose after the wheel rolled forward by an angle, about the bay's y."""
    T = wheel.T_bay_target
    turn = rotation_y(roll)
    centre = wheel.centre + np.array([radius * roll, 0.0, 0.0])
    return Pose(turn @ T.rotation, centre + turn @ (T.translation - wheel.centre))


def _noise(
    bay: Bay, tower: Tower, T_camera_target: Pose, predictor: Predictor, points: Array
) -> tuple[Array, bool]:
    if predictor.bound == "image":
        region = region_of(bay.target.drawing, T_camera_target, tower.camera, MARGIN_PX)
        covariance = image_bound(
            bay.target.drawing, T_camera_target, tower.camera, tower.imaging, region
        )
    else:
        covariance = pose_covariance(points, T_camera_target, tower.camera, predictor.sigma_px)
    if predictor.ratio is None:
        return covariance, True
    view = view_of_pose(T_camera_target)
    tilt = np.arccos(np.cos(view.turn) * np.cos(view.pitch))
    ratios, measured = predictor.ratio.grid.at(np.asarray(view.range_m), np.asarray(tilt))
    rotation, along, across = (float(r) for r in np.asarray(ratios).reshape(3))
    axes = facing_rotation(T_camera_target.translation)
    shift = axes @ np.diag([across, across, along]) @ axes.T
    scale = axes_change(rotation * np.eye(3), shift)
    return np.asarray(scale @ covariance @ scale.T), bool(measured)
