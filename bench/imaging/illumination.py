"""Light on the target: level, a linear gradient, one highlight.

All in fractions of the sensor's full well, so that a scene stays as well exposed when the
sensor changes. Light varies over distances far larger than a lens's blur, so it is applied to
the blurred picture: the neglected term is σ² ∇light · ∇reflectance, 2e-4 of full scale for
1 m⁻¹ at 3000 px and 6 m with σ = 0.6 px.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.errors import ConfigError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.imaging.limits import check_between
from bench.imaging.picture import Region
from bench.kernel import kernel
from bench.typing import Array


@dataclass(frozen=True)
class Highlight:
    """A lamp's reflection: a round Gaussian spot in the picture, added to it.

    Attributes
    ----------
    x, y : float
        Its centre on the target's face, metres.
    sigma : float
        Standard deviation, metres at the target's distance.
    level : float
        Peak, fraction of full well; what exceeds the sensor saturates it.
    """

    x: float
    y: float
    sigma: float
    level: float

    def __post_init__(self) -> None:
        check_between("illumination.highlight.x", self.x, -100.0, 100.0, "m")
        check_between("illumination.highlight.y", self.y, -100.0, 100.0, "m")
        check_between("illumination.highlight.sigma", self.sigma, 1e-4, 100.0, "m")
        check_between("illumination.highlight.level", self.level, 0.0, 100.0)


@dataclass(frozen=True)
class Illumination:
    """How much light the target sends to the sensor.

    Attributes
    ----------
    level : float
        Fraction of full well that reflectance 1 gives at the target's centre.
    gradient : (float, float)
        Relative change of the light per metre, to the right and down in the picture, across
        the line of sight at the target's distance. It is linear in the picture, so it neither
        depends on how the target is turned nor, over the target, on its range.
    highlight : Highlight or None
        One bright spot.

    Raises
    ------
    ConfigError
        A number is out of its limits.
    """

    level: float = 0.8
    gradient: tuple[float, float] = (0.0, 0.0)
    highlight: Highlight | None = None

    def __post_init__(self) -> None:
        check_between("illumination.level", self.level, 0.0, 100.0)
        if len(self.gradient) != 2:
            raise ConfigError(f"illumination.gradient must be two numbers, got {self.gradient}")
        for value in self.gradient:
            check_between("illumination.gradient", value, -100.0, 100.0, "1/m")


def illuminate(
    reflectance: Array,
    illumination: Illumination,
    T_camera_target: Pose,
    camera: Camera,
    region: Region,
) -> Array:
    """Return how far each pixel's well is filled, fractions of full well.

    Parameters
    ----------
    reflectance : (H, W) float64
        What the pixels of the region collect through the lens.
    illumination : Illumination
        The light.
    T_camera_target : Pose
        Target to camera.
    camera : Camera
        Intrinsics.
    region : Region
        Which pixels.

    Returns
    -------
    (H, W) float64
        Reflectance times level and gradient, which is never below zero, plus the highlight.

    Raises
    ------
    GeometryError
        The target's or the highlight's centre has no image.
    """
    metres_per_px = T_camera_target.translation[2] / np.array([camera.fx, camera.fy])
    if any(illumination.gradient):
        centre = project(np.zeros((1, 3)), T_camera_target, camera)[0]
        right, down = metres_per_px * illumination.gradient
        filling = np.empty(reflectance.shape)
        first = region.u0 - centre[0], region.v0 - centre[1]
        _slope(reflectance, illumination.level, right, down, *first, filling)
    else:
        filling = reflectance * illumination.level
    spot = illumination.highlight
    if spot is not None:
        centre = project(np.array([[spot.x, spot.y, 0.0]]), T_camera_target, camera)[0]
        u = np.arange(region.u0, region.u0 + region.width, dtype=np.float64)
        v = np.arange(region.v0, region.v0 + region.height, dtype=np.float64)
        sigma_u, sigma_v = spot.sigma / metres_per_px
        row = np.exp(-0.5 * ((u - centre[0]) / sigma_u) ** 2)
        column = np.exp(-0.5 * ((v - centre[1]) / sigma_v) ** 2)
        filling += spot.level * np.outer(column, row)
    return np.asarray(filling)


def light_at(
    illumination: Illumination, T_camera_target: Pose, camera: Camera, u: Array, v: Array
) -> Array:
    """Return what level and gradient fill a well to at pixels u, v (N,) where reflectance is one.

    Raises
    ------
    GeometryError
        The target's centre has no image.
    """
    centre = project(np.zeros((1, 3)), T_camera_target, camera)[0]
    right, down = T_camera_target.translation[2] / np.array([camera.fx, camera.fy])
    right, down = right * illumination.gradient[0], down * illumination.gradient[1]
    slope = 1.0 + down * (v - centre[1]) + right * (u - centre[0])
    return np.asarray(illumination.level * np.maximum(slope, 0.0))


@kernel
def _slope(
    reflectance: Array,
    level: float,
    right: float,
    down: float,
    first_u: float,
    first_v: float,
    filling: Array,
) -> None:
    """Fill in light that grows by so much a pixel from where it is `level`, never below zero."""
    for i in range(filling.shape[0]):
        at = 1.0 + down * (first_v + i)
        for j in range(filling.shape[1]):
            filling[i, j] = reflectance[i, j] * level * max(at + right * (first_u + j), 0.0)
