"""Fits where the model isn't quite right: dirt, glare, a cable; another lens, another print.

Pixels that show something else are weighed down by Tukey's biweight, iteratively reweighted
(Beaton and Tukey 1974, doi:10.1080/00401706.1974.10489171). But a blur that isn't Gaussian, a
print whose black has spread or a curved response leave residuals on every boundary, in
proportion to its strength; to throw those pixels out would be to throw out the pose. Their
variance gets a share for it: of a boundary that lies anywhere within a standard deviation of
`mismatch_px` from where it should.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from bench.imaging.appearance import edge_strength, response_to
from bench.solve.image_fit import ImageFit, Scene, fit_image
from bench.solve.noise import Noise
from bench.solve.weights import Weigher
from bench.typing import Array

# Residuals beyond so many standard deviations count for nothing. Where nothing is wrong, 6 costs
# under 2 % of efficiency (4.685 costs 5 %).
BIWEIGHT_SIGMAS = 6.0
# Of the median absolute deviation of a Gaussian to its standard deviation, 1 / Φ⁻¹(3/4).
MAD_TO_SIGMA = 1.4826
# Rounds of reweighting, Gauss-Newton steps in each, and the change of trust below which they end.
ROUNDS, STEPS, SETTLED = 8, 2, 0.02
# Pixels tell of a mismatch from this share of the strongest boundary on.
STRONG = 0.3
# Of the strongest boundary's: what counts as flat where noise is to be learnt from the picture.
FLAT = 0.02


@dataclass(frozen=True, eq=False)
class RobustFit:
    """A fit, how its pixels were weighed, and the scale of what was called an outlier.

    Attributes
    ----------
    fit : ImageFit
        The fit.
    weigh : Weigher
        As it used it.
    mismatch_px : float
        How far boundaries are off, root mean square, as far as noise doesn't explain it.
    scale : float
        Of the residuals, in standard deviations, 1 or more.
    """

    fit: ImageFit
    weigh: Weigher
    mismatch_px: float
    scale: float


@dataclass(frozen=True, eq=False)
class WeighedDown:
    """How pixels are weighed, and why: fields as `RobustFit` has them."""

    weigh: Weigher
    mismatch_px: float
    scale: float

    @property
    def trust(self) -> Array:
        """Factor from 0 to 1 for each pixel."""
        assert self.weigh.trust is not None
        return self.weigh.trust


def fit_robustly(scene: Scene, start: ImageFit, weigh: Weigher) -> RobustFit:
    """Refit with pixels weighed down whose residuals neither noise nor mismatch explains.

    The residuals' own scale, from their median, starts wide where the first fit was dragged
    off and narrows to one as pixels drop out.

    Parameters
    ----------
    scene : Scene
        What is fitted.
    start : ImageFit
        A fit with all pixels.
    weigh : Weigher
        By noise alone.
    """
    fit, before = start, np.ones(len(scene.grey))
    for _ in range(ROUNDS):
        found = weigh_down(scene.grey, fit.predicted, strength_of(scene, fit), weigh.noise)
        fit = fit_image(
            scene, fit.pose, fit.blur_px, found.weigh, steps=STEPS, amounts=fit.amounts
        )
        trust = found.trust
        if np.max(np.abs(trust - before)) < SETTLED:
            break
        before = trust
    return RobustFit(fit, found.weigh, found.mismatch_px, found.scale)


def weigh_down(grey: Array, predicted: Array, strength: Array, noise: Noise) -> WeighedDown:
    """Return weights that neither what noise nor what mismatch explains has much of.

    Parameters
    ----------
    grey, predicted : (N,) float64
        Grey values and what a fit makes of them.
    strength : (N,) float64
        How much they change for each pixel that the target moves.
    noise : Noise
        Of the grey values.
    """
    off_px = mismatch_px(grey - predicted, strength, noise, predicted)
    mismatch = (off_px * strength) ** 2
    z = Weigher(noise, mismatch).standardised(grey, predicted)
    scale = max(1.0, MAD_TO_SIGMA * float(np.median(np.abs(z))))
    return WeighedDown(Weigher(noise, mismatch, biweight(z / scale)), off_px, scale)


@lru_cache(maxsize=4)
def strength_of(scene: Scene, fit: ImageFit) -> Array:
    """Return how much a fit's grey values (N,) change for each pixel that the target moves."""
    response = response_to(fit.reflectance, fit.light, scene.pixels)
    strength = edge_strength(fit.sensitivity, response, fit.pose, scene.camera)
    strength.setflags(write=False)  # kept, as a fit is asked for it time and again
    return strength


def mismatch_px(
    residual: Array, strength: Array, noise: Noise, predicted: Array, slack: float = 1.0
) -> float:
    """Return how far strong boundaries are off, from the median, less `slack` times noise's."""
    strong = strength > STRONG * np.max(strength)
    if not np.any(strong):
        return 0.0
    off = MAD_TO_SIGMA * np.median(np.abs(residual[strong]) / strength[strong])
    even = np.median(noise.variance(predicted[strong]) / strength[strong] ** 2)
    return float(np.sqrt(max(0.0, off * off - slack * even)))


def biweight(z: Array) -> Array:
    """Return Tukey's weights, 0 to 1, of standardised residuals."""
    inside = np.clip(1.0 - (z / BIWEIGHT_SIGMAS) ** 2, 0.0, None)
    return np.asarray(inside * inside)


def loss(z: Array, scale: float) -> float:
    """Return Tukey's loss of standardised residuals, in units of χ²: z² while they are small.

    Only losses of one scale may be compared.
    """
    inside = np.clip(1.0 - (z / scale / BIWEIGHT_SIGMAS) ** 2, 0.0, None)
    return float(scale**2 * BIWEIGHT_SIGMAS**2 / 3.0 * np.sum(1.0 - inside**3))
