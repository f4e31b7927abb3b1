"""A camera as it was measured, in the bench's own terms, and the pictures it then predicts."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from bench.characterise.faces import KINDS, FaceFit, fit_face
from bench.detect.observation import Observation
from bench.digest import key_digest
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.illumination import Illumination
from bench.imaging.model import Imaging
from bench.imaging.optics import Optics, field_variance
from bench.imaging.picture import Picture, Region
from bench.imaging.processing import REACH, Curve, noise_widening
from bench.imaging.sensor import Sensor
from bench.render.planar import render_target
from bench.solve.noise import Noise, noise_of_sensor
from bench.targets.target import Target
from bench.typing import Array

WIDE_BITS = 16  # of pictures whose response curve was undone: rounding then loses nothing
WIDE = (1 << WIDE_BITS) - 1


def proportional(picture: Picture, curve: Curve | None) -> Picture:
    """Return a picture whose grey values are in proportion to light, of 16 bits where curved."""
    if curve is None:
        return picture
    light = curve.before(picture.grey.astype(np.float64)) * (WIDE / picture.full_scale)
    grey = np.clip(np.rint(light), 0, WIDE).astype(np.uint16)
    return Picture(grey, picture.u0, picture.v0, WIDE)


@dataclass(frozen=True)
class KnownCamera:
    """Intrinsics, lens and sensor, and what isn't known of the two numbers that decide most.

    Attributes
    ----------
    camera, optics, sensor : Camera, Optics, Sensor
        As a bay file has them.
    u_noise, u_blur_px : float
        Standard uncertainties: relative, of a variance; of the blur, pixels.
    others : tuple of Sensor
        As the sensor may be as well, each with another black level, or another gamma, that is a
        standard uncertainty away.
    """

    camera: Camera
    optics: Optics
    sensor: Sensor
    u_noise: float = 0.0
    u_blur_px: float = 0.0
    others: tuple[Sensor, ...] = ()

    @property
    def linear(self) -> Sensor:
        """The sensor of `proportional` pictures, of white noise."""
        white = replace(self.sensor, noise_correlation=None)
        if white.curve is None:
            return white
        scale = WIDE / white.full_scale
        black, gain = white.black_level * scale, white.system_gain * scale
        return replace(white, gamma=None, bit_depth=WIDE_BITS, black_level=black, gain=gain)

    @property
    def noise(self) -> Noise:
        """Variance of a pixel of `proportional` pictures by its grey value."""
        return noise_of_sensor(self.linear)

    @property
    def correlation(self) -> Array:
        """Of noise with its neighbours', 2 REACH + 1 rows and columns, as said."""
        table = np.zeros((2 * REACH + 1, 2 * REACH + 1))
        for (i, j), value in np.ndenumerate(np.array(self.sensor.noise_correlation or [[1.0]])):
            table[np.ix_([REACH - i, REACH + i], [REACH - j, REACH + j])] = value
        return table

    def blur_at(self, place: tuple[float, float]) -> float:
        """Return the blur at a pixel, px."""
        return float(np.sqrt(field_variance(self.optics, self.camera, *place)))

    def seen(self, picture: Picture, target: Target) -> Observation:
        """Return what a fit sees of a picture: in proportion to light."""
        flat = proportional(picture, self.sensor.curve)
        return Observation(flat, self.camera, target, self.linear)

    def fitted(
        self,
        name: str,
        picture: Picture,
        target: Target,
        start: Pose,
        kinds: tuple[str, ...] = KINDS,
    ) -> FaceFit:
        """Return a face's fit, its claims as wide as noise that neighbours share makes them.

        Errors are those of `fit_face`.
        """
        face = fit_face(name, self.seen(picture, target), start, self.noise, kinds)
        wider = math.sqrt(noise_widening(self.sensor.noise_correlation, face.blur_px))
        names = ("u_blur_px", "u_ellipse", "u_ink_m")
        return replace(face, **{name: wider * getattr(face, name) for name in names})

    def light_of(self, face: FaceFit) -> Illumination:
        """Return the light under which a face was seen."""
        level, across, down = face.light_at_centre(self.camera)
        full = self.linear.system_gain * self.sensor.full_well
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
