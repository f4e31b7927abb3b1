"""Gaussian blur against diffraction with defocus, on the pictures themselves.

Both lenses draw each face at its fitted pose, light is fitted anew, and what is left decides:
twice the logarithm of the likelihoods' ratio is the difference of χ². A round blur moves no
boundary, so that the pose needn't be fitted again. The Gaussian has the blur that was found for
each face; of the other lens f-number and focus are the data sheet's, and the Gaussian that is left
for aberrations is searched for all faces at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy

from bench.characterise.faces import free_fits
from bench.detect.observation import Observation
from bench.errors import ConfigError
from bench.geometry.pose import Pose
from bench.imaging.appearance import fit_light, predict
from bench.imaging.optics import MIN_SIGMA_PX, Optics
from bench.imaging.spread import spread_reflectance
from bench.solve.image_fit import ImageFit, Scene
from bench.solve.noise import Noise

# Differences of χ² that chance gives once in 1000 to a parameter more (χ² with 1 freedom).
DECIDES = 10.8
MOST_FACES = 4


@dataclass(frozen=True)
class Spots:
    """Which spot explains the faces.

    `gain` is χ² of the Gaussian less that of diffraction and defocus of so many `faces`: positive
    speaks for the latter, beside which a Gaussian of `sigma_px` is left.
    """

    gain: float
    faces: int
    sigma_px: float

    @property
    def words(self) -> str:
        """Say which it is."""
        if abs(self.gain) < DECIDES:
            return f"Gaussian and diffraction with defocus explain {self.faces} faces alike"
        better = "diffraction with defocus explains" if self.gain > 0.0 else "a Gaussian explains"
        return f"{better} {self.faces} faces better, by {abs(self.gain):.0f} of χ²"


def compare_spots(
    faces: Sequence[tuple[Observation, Pose]], optics: Optics, noise: Noise
) -> Spots | None:
    """Return which spot explains faces, their poses near enough.

    None where the optics, as the data sheet says them, have no f-number, or of no face.
    """
    if optics.f_number is None:
        return None
    fitted = list(free_fits(faces[:MOST_FACES], noise))
    if not fitted:
        return None

    def cost(sigma: float) -> float:
        lens = replace(optics, sigma_px=sigma, field_sigma_px=0.0)
        return sum(_cost(scene, fit, lens, noise) for scene, fit in fitted)

    most = max(2.0 * MIN_SIGMA_PX, *(fit.blur_px for _, fit in fitted))
    try:
        found = scipy.optimize.minimize_scalar(
            cost, bounds=(MIN_SIGMA_PX, most), options={"xatol": 0.005}
        )
    except ConfigError:  # out of focus beyond what the model holds
        return None
    gaussian = sum(_cost(scene, fit, Optics(fit.blur_px), noise) for scene, fit in fitted)
    return Spots(gaussian - float(found.fun), len(fitted), float(found.x))


def _cost(scene: Scene, fit: ImageFit, optics: Optics, noise: Noise) -> float:
    """Return χ² of a face through a lens, light fitted."""
    whole = spread_reflectance(scene.drawing, fit.pose, scene.camera, optics, scene.pixels.region)
    seen = scene.pixels.of(whole)
    light = fit_light(seen, scene.grey, fit.weights, scene.pixels)
    left = scene.grey - predict(seen, light, scene.pixels)
    return float(np.sum(left**2 / noise.variance(fit.predicted)))
