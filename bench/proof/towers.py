"""Both towers of a bay, tied to each other by a registration, measured or rehearsed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bench.budget.measured import NOTHING, Measured, camera_errors, checked
from bench.budget.registration import planned_steps, registration_response
from bench.errors import GeometryError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.registration.plan import default_sequence
from bench.scene.bar_section import read_poses
from bench.scene.model import Bay, Tower
from bench.scene.tower_pair import watching_pair
from bench.sighting.prediction import sigma_of_corner
from bench.solve.response import target_points
from bench.targets.target import Target
from bench.typing import Array


@dataclass(frozen=True, eq=False)
class TiedTowers:
    """Both towers, tied to each other: noise of a corner, and covariance of T_left_right."""

    left: Tower
    right: Tower
    sigma_px: float
    covariance: Array


def tied_towers(
    bay: Bay, sigma_px: float | None, poses: Path | None, measured: Measured = NOTHING
) -> TiedTowers:
    """Return the towers with a registration measured, or rehearsed.

    Parameters
    ----------
    bay : Bay
        Whose towers and bar.
    sigma_px : float or None
        Noise of a corner; what the detector claims by default.
    poses : Path or None
        File of the bar's places for a rehearsal; the best short sequence by default.
    measured : Measured
        Results from site: a registration counts with all that its covariance holds, a
        calibration by its camera.

    Raises
    ------
    ConfigError
        The file, the noise or a result won't do.
    """
    bay = checked(bay, measured)
    left, right = watching_pair(bay)
    sigma = sigma_of_corner(bay, sigma_px)
    if measured.registration is not None:
        covariance = np.array(measured.registration.value.covariance)
        return TiedTowers(left, right, sigma, covariance)
    sequence = default_sequence(bay) if poses is None else read_poses(poses)
    answer = registration_response(
        bay, planned_steps(bay, sequence), sigma, camera_errors(bay, measured)
    )
    return TiedTowers(left, right, sigma, answer.covariance)


def sees(tower: Tower, target: Target, T_camera_target: Pose) -> bool:
    """Tell whether a tower has the face of a target wholly in its picture."""
    try:
        pixels = project(target_points(target), T_camera_target, tower.camera)
    except GeometryError:
        return False
    facing = float((T_camera_target.rotation.T @ T_camera_target.translation)[2]) < 0.0
    return facing and tower.camera.contains(pixels)
