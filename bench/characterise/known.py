"""A camera as it was measured, in the bench's own terms, and the pictures it then predicts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from bench.characterise.faces import FaceFit
from bench.digest import key_digest
from bench.geometry.camera import Camera
from bench.imaging.illumination import Illumination
from bench.imaging.model import Imaging
from bench.imaging.optics import Optics, field_variance
from bench.imaging.picture import Picture, Region
from bench.imaging.sensor import Sensor
from bench.render.planar import render_target
from bench.solve.noise import Noise, noise_of_sensor
from bench.targets.target import Target


@dataclass(frozen=True)
class KnownCamera:
    """Intrinsics, lens and sensor, and what isn't known of the two numbers that decide most.

    Attributes
    ----------
    camera, optics, sensor : Camera, Optics, Sensor
        As a bay file has them.
    u_noise : float
        Relative standard uncertainty of a variance.
    u_blur_px : float
        Standard uncertainty of the blur.
    """

    camera: Camera
    optics: Optics
    sensor: Sensor
    u_noise: float = 0.0
    u_blur_px: float = 0.0

    @property
    def noise(self) -> Noise:
        """Variance of a pixel by its grey value."""
        return noise_of_sensor(self.sensor)

    def blur_at(self, place: tuple[float, float]) -> float:
        """Return the blur at a pixel, px."""
        return float(np.sqrt(field_variance(self.optics, self.camera, *place)))

    def light_of(self, face: FaceFit) -> Illumination:
        """Return the light under which a face was seen."""
        level, across, down = face.light_at_centre(self.camera)
        full = self.sensor.system_gain * self.sensor.full_well
        return Illumination(max(level / full, 0.0), (across, down))

    def predicted(
        self, target: Target, face: FaceFit, region: Region, frames: int, seed: int
    ) -> Iterator[Picture]:
        """Yield the pictures that this camera would take of a face where it is."""
        imaging = Imaging(self.optics, self.light_of(face), self.sensor)
        for k in range(frames):
            key = key_digest(f"predicted {face.name} {k}")
            rng = np.random.default_rng(np.random.SeedSequence([seed, key]))
            yield render_target(target, face.pose, self.camera, imaging, rng, region)
