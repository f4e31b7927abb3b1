"""A registration as a result that other commands read: registration.json."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from pydantic import Field

from bench.envelope import Kind, Result, read_result
from bench.geometry.pose import Pose
from bench.scene.camera_value import CameraValue
from bench.solve.covariance import covariance_of_rows
from bench.strict import Section

Row = list[float]


class PoseValue(Section):
    """A pose: rotation vector, radians, and translation, metres."""

    rotation_vector_rad: Row = Field(min_length=3, max_length=3)
    translation_m: Row = Field(min_length=3, max_length=3)

    @property
    def pose(self) -> Pose:
        """The pose."""
        return Pose.from_rotvec(np.array(self.rotation_vector_rad), np.array(self.translation_m))


def pose_value(T: Pose) -> PoseValue:
    """Return a pose as a result holds it."""
    return PoseValue(rotation_vector_rad=T.rotvec.tolist(), translation_m=T.translation.tolist())


class WeakestDirection(Section):
    """The direction that the bar poses determine least."""

    words: str
    singular_value_per_m: float


class RegistrationValue(Section):
    """The transform from the right tower's camera to the left one's, and what speaks for it."""

    T_left_right: PoseValue
    covariance: list[Row]
    covariance_from_noise: list[Row]
    covariance_of: str
    chi_square: float
    degrees: int
    p_value: float
    variance_factor: float
    T_left_a: dict[str, PoseValue]
    weakest_direction: WeakestDirection
    failed_checks: list[str]
    off_plan: list[str]
    swapped: list[str]
    T_a_b: PoseValue | None = None
    covariance_a_b: list[Row] | None = None
    cameras: dict[str, CameraValue] = Field(default_factory=dict)
    """By tower, as the registration took them; empty for a table of poses."""
    seen: dict[str, list[str]] = Field(default_factory=dict)
    """By step, which tower saw which end of the bar, such as "left A"."""
    bar_pictures_sigma_px: float | None = None
    """Standard deviation of a corner's coordinate that was claimed; null for a table."""


REGISTRATION = Kind("registration", "registration.json", "register solve", RegistrationValue)


def read_registration(place: Path) -> Result[RegistrationValue]:
    """Return a solved registration.

    Raises
    ------
    ConfigError
        There is none, it is damaged, or a covariance isn't one.
    """
    result = read_result(place, REGISTRATION)
    for name in ("covariance", "covariance_from_noise"):
        covariance_of_rows(getattr(result.value, name), 6, f"{result.path}: {name}")
    return result
