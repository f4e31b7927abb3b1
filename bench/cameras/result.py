"""A camera calibration as a result that other commands read: calibration.json."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import Field

from bench.cameras.intrinsics import SHAPE_NAMES, Calibration
from bench.cameras.lenses import NAMES
from bench.envelope import Kind, Result, read_result
from bench.errors import ConfigError
from bench.geometry.camera import Camera
from bench.scene.camera_value import CameraValue, camera_value
from bench.strict import Section
from bench.typing import Array


class CalibrationValue(Section):
    """A camera, and the covariance of its parameters; what was held has variance 0."""

    camera: CameraValue
    parameters: list[str]
    free: list[str]
    covariance: list[list[float]]
    sigma_px: float
    """Standard deviation of a corner's coordinate, from the residuals."""
    board: str
    pictures: int
    widening: float = 1.0
    """What views left out multiplied the lens's uncertainties by; in `covariance` already."""
    shape_widening: float = 1.0
    """The same of the board's shape; in `shape_uncertainty` already."""
    shape: dict[str, float] = Field(default_factory=dict)
    """Of the board, metres at its corners: bow_across, bow_up, twist, as fitted."""
    shape_uncertainty: dict[str, float] = Field(default_factory=dict)
    """Standard, metres."""
    choice: list[str] = Field(default_factory=list)
    """Which lens model and shape were chosen, and why."""

    @property
    def matrix(self) -> Array:
        """The covariance (P, P), in the order of `parameters`; pixels, and without unit."""
        return np.array(self.covariance)

    @property
    def uncertainties(self) -> dict[str, float]:
        """Standard, of the parameters that were free."""
        sigma = np.sqrt(np.diag(self.matrix))
        return {n: float(u) for n, u in zip(self.parameters, sigma, strict=True) if u > 0.0}


CALIBRATION = Kind("calibration", "calibration.json", "intrinsics", CalibrationValue)


def calibration_value(
    found: Calibration, board: str, choice: Sequence[str] = ()
) -> dict[str, Any]:
    """Return a calibration as plain numbers."""
    return {
        "camera": camera_value(found.camera).model_dump(),
        "parameters": list(found.names),
        "free": list(found.model.free),
        "covariance": found.covariance.tolist(),
        "sigma_px": float(found.sigma_px),
        "board": board,
        "pictures": len(found.poses),
        "widening": found.widening,
        "shape_widening": found.shape_widening,
        "shape": dict(zip(SHAPE_NAMES, found.shape.tolist(), strict=False)),
        "shape_uncertainty": dict(
            zip(SHAPE_NAMES, found.shape_uncertainties.tolist(), strict=False)
        ),
        "choice": list(choice),
    }


def read_calibration(place: Path) -> tuple[Result[CalibrationValue], Camera]:
    """Return a calibration and its camera.

    Raises
    ------
    ConfigError
        There is none, it is damaged, or its covariance isn't one.
    """
    result = read_result(place, CALIBRATION)
    value = result.value
    try:
        camera = value.camera.camera
    except ConfigError as error:
        raise ConfigError(f"{result.path}: camera: {error}") from error
    names = NAMES[camera.model]
    if tuple(value.parameters) != names:
        raise ConfigError(f"{result.path}: parameters must be {', '.join(names)}")
    covariance = value.matrix
    n = len(names)
    if covariance.shape != (n, n) or not np.allclose(covariance, covariance.T, rtol=1e-9):
        raise ConfigError(f"{result.path}: covariance must be {n} by {n} and symmetric")
    # a parameter that was held has no variance, so that the whole is semidefinite
    scale = np.sqrt(np.where(np.diag(covariance) > 0.0, np.diag(covariance), 1.0))
    if np.linalg.eigvalsh(covariance / np.outer(scale, scale))[0] < -1e-9:
        raise ConfigError(f"{result.path}: covariance contradicts itself: it isn't positive")
    return result, camera
