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
    """Sizes of causes. Defaults are our own assumptions for a careful workshop; no source.

    "Standard" means a standard uncertainty of a normal distribution, "limit" the half width of
    a rectangular one. SI units and radians.

    Attributes
    ----------
    flatness : float
        Limit of a target's bow (each way) and twist at the plate's corners, metres.
    print_scale : float
        Standard, of the printed pattern's size, relative; common to targets of one print run.
    print_aspect : float
        Standard, of its height over its width, relative; common too.
    focal : float
        Standard, of a camera's focal length, relative.
    aspect : float
        Standard, of its focal length down over across, relative.
    principal_point : float
        Standard, of each of its coordinates, pixels.
    distortion : float
        Standard, of the radial distortion at the picture's corner, pixels.
    roll_angles : tuple of float
        Of the wheel, where run-out compensation takes its readings; rolling forward is positive.
    bearing_play : float
        Standard, of the spin axis between readings of a rolling wheel, radians, each way.
    mount_play : float
        Limit of a clamp's slip between run-out compensation and reading, radians, each way.
    mount_centring : float
        Limit of the target's place from where the mount should hold it, metres, each way.
    tower_turn, tower_shift : float
        Standard, of a tower's movement between registration and use: rotation about, and shift
        along each of the bay's axes; radians, metres.
    temperature : float
        Limit of the bay's temperature from that at registration, K.
    temperature_in_registration : float
        Limit of its change while the bar is carried through its places, K.
    temperature_from_calibration : float
        Limit of the bar's temperature at registration from that of its calibration, K.
    temperature_across : float
        Limit of the temperature difference across a tower's column, K.
    target_expansion, bar_expansion, column_expansion, lens_expansion : float
        Relative expansion of targets, bar and columns, and change of focal length, 1/K.
    column_depth : float
        Of a tower's column, over which that difference bends it, metres.
    operator : float
        Standard, of toe and camber from one setting to the next beyond all that, radians.
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
