"""A registration as a result that other commands read: registration.json."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from bench.envelope import Kind, Result, read_result
from bench.geometry.pose import Pose
from bench.registration.judgement import Judged
from bench.registration.sights import Sight
from bench.scene.camera_value import CameraValue, camera_value
from bench.solve.covariance import covariance_of_rows
from bench.strict import Section

Row = list[float]
Turn = Annotated[float, Field(ge=-2 * math.pi, le=2 * math.pi)]
Place = Annotated[float, Field(ge=-200.0, le=200.0)]


class PoseValue(Section):
    """A pose: rotation vector, radians, and translation, metres."""

    rotation_vector_rad: list[Turn] = Field(min_length=3, max_length=3)
    translation_m: list[Place] = Field(min_length=3, max_length=3)

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
    corner_sigma_px: float | None = None
    """Standard deviation of a corner's coordinate that was claimed; null where it varied."""


def registration_value(judged: Judged) -> dict[str, Any]:
    """Return a judged registration as plain numbers, SI units and radians."""
    found = judged.registration
    model = found.model
    sigma = {
        sight.sigma_px
        for step in model.steps
        for sight in step.sights
        if isinstance(sight, Sight)  # rows of a table have claims of their own
    }
    value: dict[str, Any] = {
        "T_left_right": pose_value(found.T_left_right).model_dump(),
        "covariance": judged.covariance.tolist(),
        "covariance_from_noise": found.covariance_left_right.tolist(),
        "covariance_of": "rotation about the right camera's axes, rad; translation in the "
        "left camera's frame, m",
        "chi_square": found.chi_square,
        "degrees": found.degrees,
        "p_value": found.p_value,
        "variance_factor": found.variance_factor,
        "T_left_a": {
            step.name: pose_value(T).model_dump()
            for step, T in zip(model.steps, found.unknowns.T_left_a, strict=True)
        },
        "weakest_direction": {
            "words": found.directions[0].words,
            "singular_value_per_m": found.directions[0].singular_value,
        },
        "failed_checks": [c.name for c in judged.failed],
        "off_plan": list(judged.off_plan),
        "swapped": list(judged.swapped),
        "cameras": {
            side: camera_value(camera).model_dump()
            for side, camera in (("left", model.cameras.left), ("right", model.cameras.right))
            if camera is not None
        },
        "seen": {step.name: [f"{s.tower} {s.end}" for s in step.sights] for step in model.steps},
        "corner_sigma_px": sigma.pop() if len(sigma) == 1 else None,
    }
    if found.T_a_b is not None and found.covariance_a_b is not None:
        value["T_a_b"] = pose_value(found.T_a_b).model_dump()
        value["covariance_a_b"] = found.covariance_a_b.tolist()
    return value


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
