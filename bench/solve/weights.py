"""Weights of pixels: inverse variance, and less for those that show something else."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.solve.image_fit import Scene
from bench.solve.noise import Noise
from bench.typing import Array, BoolArray


@dataclass(frozen=True, eq=False)
class Weigher:
    """Weighs pixels by predicted grey values.

    Attributes
    ----------
    mask : (H, W) bool
        Pixels that count at all.
    noise : Noise
        Their variance.
    trust : (H, W) float64 or None
        Factor from 0 to 1 for each pixel; None trusts all alike.
    scale : float
        Standard deviations at which trust was lost, over `BIWEIGHT_SIGMAS`; inf without.
    """

    mask: BoolArray
    noise: Noise
    trust: Array | None = None
    scale: float = float("inf")

    def __call__(self, predicted: Array) -> Array:
        """Return the weights (H, W) at predicted grey values (H, W)."""
        weights = np.where(self.mask, 1.0 / self.noise.variance(predicted), 0.0)
        return weights if self.trust is None else weights * self.trust

    def standardised(self, predicted: Array, scene: Scene) -> Array:
        """Return residuals over standard deviations, (N,), of the pixels that count."""
        sigma = np.sqrt(self.noise.variance(predicted[self.mask]))
        return np.asarray((scene.grey[self.mask] - predicted[self.mask]) / sigma)

    def kept(self, predicted: Array, scene: Scene) -> Array:
        """Return the trust (N,) in each pixel that counts."""
        return (
            np.ones(np.count_nonzero(self.mask)) if self.trust is None else self.trust[self.mask]
        )
