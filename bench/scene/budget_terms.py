"""Sizes of all causes beyond a target's pose that make toe and camber uncertain."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.geometry.camera import Camera
from bench.typing import Array


def _deg(value: float) -> float:
    return math.radians(value)


@dataclass(frozen=True)
class BudgetTerms:
    """Sizes of causes, each as `BudgetSection` says; metres, radians, pixels, K, 1/K, fractions.

    Defaults are our own assumptions for a careful workshop; no source. Of a wheel's readings
    rolling forward is a positive angle; what is "common" is so to all targets of one print run.
    """

    flatness: float = 0.1e-3
    print_scale: float = 2e-4
    print_aspect: float = 5e-5
    focal: float = 2e-4
    aspect: float = 2e-5
    principal_point: float = 0.5
    distortion: float = 0.2
    roll_angles: tuple[float, ...] = (_deg(-30.0), 0.0, _deg(30.0))
    bearing_play: float = _deg(0.004)
    mount_play: float = _deg(0.01)
    mount_centring: float = 1e-3
    tower_turn: float = _deg(0.004)
    tower_shift: float = 0.1e-3
    temperature: float = 8.0
    temperature_in_registration: float = 1.0
    temperature_from_calibration: float = 5.0
    temperature_across: float = 1.0
    target_expansion: float = 23e-6
    bar_expansion: float = 23e-6
    column_expansion: float = 12e-6
    lens_expansion: float = 10e-6
    column_depth: float = 0.15
    operator: float = _deg(0.003)

    def camera_modes(self, camera: Camera) -> Array:
        """Return changes (9, 5) of a camera's intrinsics by one standard deviation of a cause.

        Of the focal length, its aspect, each coordinate of the principal point, and the
        distortion in pixels at the picture's corner; independent.
        """
        corner = math.hypot(camera.width / camera.fx, camera.height / camera.fy) / 2.0
        modes = np.zeros((9, 5))
        modes[:2, 0] = self.focal * np.array([camera.fx, camera.fy])
        modes[:2, 1] = 0.5 * self.aspect * np.array([-camera.fx, camera.fy])
        modes[2, 2] = modes[3, 3] = self.principal_point
        modes[4, 4] = self.distortion / (camera.fx * corner**3)
        return modes
