"""The best that any unbiased pipeline could do in a state, and what its bay then allows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import ndtri

from bench.built.response import own_covariance
from bench.errors import BenchError
from bench.geometry.pose import Pose
from bench.geometry.viewing import tilt_of_pose
from bench.imaging.picture import Region
from bench.solve.bounds import image_bound
from bench.solve.covariance import in_facing_frame
from bench.survey.bound import NAMES, SCALES
from bench.survey.cells import TILT_BOUNDS
from bench.survey.sequence import recurrence_steps
from bench.survey.setting import Setting
from bench.typing import Array

POINTS = 8192


@dataclass(frozen=True, eq=False)
class Bound:
    """The Cramér-Rao bound of one view, or that and the errors of bays like this.

    Attributes
    ----------
    sigma : dict of str to float
        Standard deviation by component, such as ``rot_x_deg`` and ``along_mm``.
    rotation_deg : float
        Root of the summed variances of the three rotations: the least RMS rotation error.
    rotation : (3, 3) float64
        Covariance of the rotations, degrees squared.
    turn_pitch : (2, 2) float64
        Covariance of turn and pitch, degrees squared.
    holds : bool
        Whether the target is tilted far enough for the bound to mean something; by the same
        rule as in a map's cells.
    """

    sigma: dict[str, float]
    rotation_deg: float
    rotation: Array
    turn_pitch: Array
    holds: bool

    def share_within(self, within_deg: float) -> float:
        """Return the share of Gaussian errors at the bound whose angle is at most `within_deg`.

        By quasi-random points, to within 0.002.
        """
        return float(np.mean(self._angles() <= within_deg))

    def error_within(self, share: float) -> float:
        """Return the angle, degrees, that so large a share of such errors keeps below."""
        return float(np.quantile(self._angles(), share))

    def _angles(self) -> Array:
        scatter = np.sqrt(np.maximum(np.linalg.eigvalsh(self.rotation), 0.0))
        angles: Array = np.linalg.norm(_normal_points() * scatter, axis=1)
        return angles


@lru_cache(maxsize=1)
def _normal_points() -> Array:
    points: Array = ndtri((0.5 + np.outer(np.arange(POINTS), recurrence_steps(3))) % 1.0)
    points.setflags(write=False)
    return points


@dataclass(frozen=True, eq=False)
class Best:
    """The bound, and what camera, print and plate allow with it; None where unknown."""

    bound: Bound | None = None
    allowed: Bound | None = None


def best_of(
    T_camera_target_true: Pose,
    setting: Setting,
    region: Region,
    response: Array | None,
    ratio: float = 1.0,
    covariance: Array | None = None,
) -> Best:
    """Return the best there is; nothing where the picture doesn't determine the pose.

    `response` is `bench.built.response.responses`, of a bay as built. What light, paper and
    dirt add would take as long as many pictures, and is left to the map. `ratio` is of a
    pipeline's errors over the bound, 1 of the best. `covariance` (6, 6) of the pose may be given
    where it is known.
    """
    try:
        if covariance is None:
            covariance = image_bound(
                setting.target.drawing, T_camera_target_true, setting.camera, setting.imaging,
                region,
            )  # fmt: skip
        covariance = ratio**2 * covariance
        bound = _bound(covariance, T_camera_target_true)
        if response is None or setting.built is None:
            return Best(bound, bound)
        covariance = covariance + own_covariance(response, setting.built)
        return Best(bound, _bound(covariance, T_camera_target_true))
    except (BenchError, np.linalg.LinAlgError):
        return Best()


def _bound(covariance: Array, T_camera_target_true: Pose) -> Bound | None:
    facing = in_facing_frame(covariance, T_camera_target_true)
    variances = np.diag(facing)
    if not np.all(np.isfinite(facing)) or np.any(variances < 0.0):
        return None
    sigma = np.sqrt(variances) * SCALES
    rotation = float(np.linalg.norm(sigma[:3]))
    tilt = math.degrees(tilt_of_pose(T_camera_target_true))
    scaled: Array = facing * np.outer(SCALES, SCALES)
    return Bound(
        sigma={name: float(s) for name, s in zip(NAMES, sigma, strict=True)},
        rotation_deg=rotation,
        rotation=scaled[:3, :3],
        turn_pitch=scaled[np.ix_([1, 0], [1, 0])],
        holds=tilt >= TILT_BOUNDS * rotation,
    )
