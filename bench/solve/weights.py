"""Weights of pixels: inverse variance, and less for those that show something else."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.solve.noise import Noise
from bench.typing import Array


@dataclass(frozen=True, eq=False)
class Weigher:
    """Weighs pixels by predicted grey values.

    Attributes
    ----------
    noise : Noise
        Their variance.
    mismatch : (N,) float64 or None
        Variance to add for what the model doesn't get right, DN².
    trust : (N,) float64 or None
        Factor from 0 to 1 for each pixel; None trusts all alike.
    """

    noise: Noise
    mismatch: Array | None = None
    trust: Array | None = None

    def __call__(self, predicted: Array) -> Array:
        """Return the weights (N,) at predicted grey values (N,)."""
        weights = 1.0 / self._variance(predicted)
        return weights if self.trust is None else weights * self.trust

    def standardised(self, grey: Array, predicted: Array) -> Array:
        """Return residuals over standard deviations, all (N,)."""
        return np.asarray((grey - predicted) / np.sqrt(self._variance(predicted)))

    def _variance(self, predicted: Array) -> Array:
        variance = self.noise.variance(predicted)
        return variance if self.mismatch is None else variance + self.mismatch
