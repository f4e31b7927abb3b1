"""The forward image model: from a target held before a camera to the picture it takes."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.illumination import Illumination, illuminate
from bench.imaging.optics import Optics
from bench.imaging.picture import Picture, Region
from bench.imaging.sensor import Sensor, digitise, expose
from bench.imaging.spread import spread_reflectance
from bench.targets.drawing import Drawing
from bench.typing import Array


@dataclass(frozen=True)
class Imaging:
    """Everything between a target and its picture but the camera's geometry."""

    optics: Optics = field(default_factory=Optics)
    illumination: Illumination = field(default_factory=Illumination)
    sensor: Sensor = field(default_factory=Sensor)


def expected_electrons(
    drawing: Drawing, T_camera_target: Pose, camera: Camera, imaging: Imaging, region: Region
) -> Array:
    """Return the mean photo-electrons of each pixel, (H, W), before saturation.

    Parameters
    ----------
    drawing : Drawing
        The target's face.
    T_camera_target : Pose
        Target to camera.
    camera : Camera
        Intrinsics; the pixel pitch if the optics have an f-number.
    imaging : Imaging
        Optics, light and sensor.
    region : Region
        Which pixels.

    Raises
    ------
    GeometryError
        The target has no image, see `bench.imaging.chords.project_chords`.
    ConfigError
        The optics don't fit the camera or the distance, see `bench.imaging.optics.aperture_at`.
    """
    reflectance = spread_reflectance(drawing, T_camera_target, camera, imaging.optics, region)
    filling = illuminate(reflectance, imaging.illumination, T_camera_target, camera, region)
    # Rounding in sums and filters may leave -1e-16 where nothing is reflected.
    np.maximum(filling, 0.0, out=filling)
    filling *= imaging.sensor.full_well
    return filling


def capture(
    drawing: Drawing,
    T_camera_target: Pose,
    camera: Camera,
    imaging: Imaging,
    region: Region,
    rng: np.random.Generator,
) -> Picture:
    """Take a noisy picture; parameters and errors as for `expected_electrons`."""
    electrons = expected_electrons(drawing, T_camera_target, camera, imaging, region)
    grey = expose(electrons, imaging.sensor, rng)
    return Picture(grey, region.u0, region.v0, imaging.sensor.full_scale)


def noise_free(
    drawing: Drawing, T_camera_target: Pose, camera: Camera, imaging: Imaging, region: Region
) -> Picture:
    """Return the mean picture, rounded; parameters and errors as for `expected_electrons`."""
    sensor = imaging.sensor
    electrons = expected_electrons(drawing, T_camera_target, camera, imaging, region)
    filled = np.minimum(electrons + sensor.dark_electrons, sensor.full_well)
    return Picture(digitise(filled, sensor), region.u0, region.v0, sensor.full_scale)
