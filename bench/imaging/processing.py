"""Grey values beyond EMVA 1288's linear model: response curve, noise that neighbours share.

A response curve is a power, as sRGB's and Rec. 709's are but for their foot: of grey values g
above black b, with full scale L, b + (L - b) ((g - b)/(L - b))^(1/γ).

Denoising, sharpening, scaling and interpolation from a mosaic leave noise that neighbours share.
Their blur is the lens's, as pictures show both together; what is drawn here is the noise: white
noise through the filter whose spectrum is the root of the correlation's own (Wiener and Khinchin),
so that any correlation that noise can have is had.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from bench.errors import ConfigError
from bench.typing import Array

Correlation = tuple[tuple[float, ...], ...]
REACH = 3  # rows and columns, at most
# Points of a spectrum, and how far the filter's own kernel reaches: what is beyond is below 1e-4.
POINTS, KERNEL = 64, 11
# What a correlation may miss of one that noise can have: two digits are written.
SLACK = 0.02


def check_correlation(correlation: Correlation) -> None:
    """Raise `ConfigError` unless noise can be so correlated."""
    name, size = "sensor.noise_correlation", len(correlation)
    if not 1 <= size <= REACH + 1 or any(len(row) != size for row in correlation):
        raise ConfigError(f"{name} must be a square table of 1 to {REACH + 1} rows")
    if correlation[0][0] != 1.0 or np.max(np.abs(np.array(correlation))) > 1.0:
        raise ConfigError(f"{name} must begin with 1, all others between -1 and 1")
    off = np.max(np.abs(_attained(correlation) - np.array(correlation)))
    if off > SLACK:
        raise ConfigError(f"{name}: no noise is so correlated; the nearest differs by {off:.2g}")


@lru_cache(maxsize=16)
def _filter(correlation: Correlation) -> Array:
    """Return the square kernel of unit energy that makes white noise so correlated."""
    wrapped = np.zeros((POINTS, POINTS))
    for i, row in enumerate(correlation):
        for j, value in enumerate(row):
            wrapped[np.ix_([i, -i], [j, -j])] = value
    spectrum = np.maximum(np.fft.fft2(wrapped).real, 0.0)
    kernel = np.fft.fftshift(np.fft.ifft2(np.sqrt(spectrum)).real)
    reach = slice(POINTS // 2 - KERNEL, POINTS // 2 + KERNEL + 1)
    cut = kernel[reach, reach]
    return np.asarray(cut / math.sqrt(float(np.sum(cut**2))))


def _attained(correlation: Correlation) -> Array:
    kernel, size = _filter(correlation), len(correlation)
    spectrum = np.abs(np.fft.fft2(kernel, (POINTS, POINTS))) ** 2
    return np.asarray(np.fft.ifft2(spectrum).real[:size, :size])


def shared_noise(
    shape: tuple[int, ...], correlation: Correlation | None, rng: np.random.Generator
) -> Array:
    """Return Gaussian noise (H, W) of variance 1 that neighbours share."""
    if correlation is None:
        return rng.standard_normal(shape)
    height, width = shape
    white = rng.standard_normal((height + 2 * KERNEL, width + 2 * KERNEL))
    mixed = cv2.filter2D(white, -1, _filter(correlation))
    return np.asarray(mixed[KERNEL:-KERNEL, KERNEL:-KERNEL])


def noise_widening(correlation: Correlation | None, blur_px: float) -> float:
    """Return by how much shared noise widens the variance of where a boundary is.

    Least squares that weighs pixels one by one takes a boundary's place from its slope, a
    Gaussian across of the lens's blur and the pixel's own, even along: its variance is that of
    white noise times the correlation's sum over both, weighed by the slope's own correlation
    exp(-d²/4σ²). Of blur without end it is the whole sum.
    """
    if correlation is None:
        return 1.0
    table = np.array(correlation)
    lag = np.arange(len(table))
    twice = np.where(lag > 0, 2.0, 1.0)
    across = twice * np.exp(-(lag**2) / (4.0 * (blur_px**2 + 1.0 / 12.0)))
    both = twice @ table @ across, across @ table @ twice
    return float(max(0.5 * sum(both), 1e-3))


@dataclass(frozen=True)
class Curve:
    """A response curve, from grey values in proportion to light and back; all DN.

    Attributes
    ----------
    gamma, black, full : float
        γ, and the ends that stay.
    """

    gamma: float
    black: float
    full: float

    def of(self, grey: Array) -> Array:
        """Return grey values as the camera gives them."""
        return self._power(grey, 1.0 / self.gamma)

    def before(self, grey: Array) -> Array:
        """Return grey values in proportion to light; noise below black stays below."""
        return self._power(grey, self.gamma)

    def slope(self, grey: Array) -> Array:
        """Return the curve's slope at grey values before it; within 1 DN of black, there."""
        span = self.full - self.black
        light = np.clip((grey - self.black) / span, 1.0 / span, 1.0)
        return np.asarray(light ** (1.0 / self.gamma - 1.0) / self.gamma)

    def _power(self, grey: Array, power: float) -> Array:
        span = self.full - self.black
        share = (grey - self.black) / span
        return np.asarray(self.black + span * np.sign(share) * np.abs(share) ** power)
