"""The best that any unbiased pipeline could do in a state, and whether that says anything."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.errors import BenchError
from bench.geometry.pose import Pose
from bench.geometry.viewing import tilt_of_pose
from bench.imaging.picture import Region
from bench.solve.bounds import image_bound
from bench.solve.covariance import in_facing_frame
from bench.survey.bound import NAMES, SCALES
from bench.survey.cells import TILT_BOUNDS
from bench.survey.setting import Setting
from bench.typing import Array


@dataclass(frozen=True, eq=False)
class Bound:
    """The Cramér-Rao bound of one view.

    Attributes
    ----------
    sigma : dict of str to float
        Standard deviation by component, such as ``rot_x_deg`` and ``along_mm``.
    rotation_deg : float
        Root of the summed variances of the three rotations: the least RMS rotation error.
    turn_pitch : (2, 2) float64
        Covariance of turn and pitch, degrees squared.
    holds : bool
        Whether the target is tilted far enough for the bound to mean something; by the same
        rule as in a map's cells.
    """

    sigma: dict[str, float]
    rotation_deg: float
    turn_pitch: Array
    holds: bool


def bound_of(T_camera_target_true: Pose, setting: Setting, region: Region) -> Bound | None:
    """Return the bound, or None where the picture doesn't determine the pose."""
    try:
        covariance = image_bound(
            setting.target.drawing, T_camera_target_true, setting.camera, setting.imaging, region
        )
        facing = in_facing_frame(covariance, T_camera_target_true)
    except (BenchError, np.linalg.LinAlgError):
        return None
    variances = np.diag(facing)
    if not np.all(np.isfinite(facing)) or np.any(variances < 0.0):
        return None
    sigma = np.sqrt(variances) * SCALES
    rotation = float(np.linalg.norm(sigma[:3]))
    tilt = math.degrees(tilt_of_pose(T_camera_target_true))
    scaled = facing * np.outer(SCALES, SCALES)
    return Bound(
        sigma={name: float(s) for name, s in zip(NAMES, sigma, strict=True)},
        rotation_deg=rotation,
        turn_pitch=scaled[np.ix_([1, 0], [1, 0])],
        holds=tilt >= TILT_BOUNDS * rotation,
    )
