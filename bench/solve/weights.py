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
    trust : (N,) float64 or None
        Factor from 0 to 1 for each pixel; None trusts all alike.
    """

    noise: Noise
    trust: Array | None = None

    def __call__(self, predicted: Array) -> Array:
        """Return the weights (N,) at predicted grey values (N,)."""
        weights = 1.0 / self.noise.variance(predicted)
        return weights if self.trust is None else weights * self.trust

    def standardised(self, grey: Array, predicted: Array) -> Array:
        """Return residuals over standard deviations, all (N,)."""
        return np.asarray((grey - predicted) / np.sqrt(self.noise.variance(predicted)))

    def count(self, n: int) -> float:
        """Return how many of n pixels are trusted, in sum."""
        return float(n) if self.trust is None else float(np.sum(self.trust))
