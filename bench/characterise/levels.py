"""Variance against mean over a scene's own grey levels: the photon transfer curve's points.

What rounding takes from a temporal variance is known: of a Gaussian signal of standard deviation σ
in grey values whose means are spread evenly over a grey value, rounding adds 1/12 and moves the
mean of each pixel by a sawtooth whose mean square is::

    B(σ²) = Σ exp(-4 π² k² σ²) / (2 π² k²)

so that the variance over the frames is σ² + 1/12 - B (Widrow, Kollár and Liu 1996,
doi:10.1109/19.492748, for the characteristic functions). From σ = 0.6 on, B is below 4e-8 and how
the variance depends on where between two grey values a mean lies below 0.4 %: such levels are
*dithered* and tell of gain and dark noise by themselves. Others don't.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.characterise.stack import Stack
from bench.imaging.sensor import QUANTISATION_VARIANCE
from bench.typing import Array, BoolArray

PIXELS_A_LEVEL, MOST_LEVELS = 150, 40
DITHERED_VARIANCE = 0.36 + QUANTISATION_VARIANCE
# Of full scale, what levels of one point may differ by: black and white, or half of them
# saturated, have no variance in common.
MIXED = 0.03
# Standard deviations from where grey values are cut off.
HEADROOM = 4.0


@dataclass(frozen=True, eq=False)
class Levels:
    """Points of the curve, of all series.

    Attributes
    ----------
    mean, variance, spread : (L,) float64
        DN, DN²; standard deviation of the pixels' own means, DN.
    pixels, frames, series : (L,) float64
        Behind each, and the number of its series.
    usable : (L,) bool
        Dithered, and far enough from where grey values are cut off.
    plateau : float or None
        Grey value at which all of a series' brightest pixels saturate, if they do.
    """

    mean: Array
    variance: Array
    pixels: Array
    frames: Array
    spread: Array
    series: Array
    usable: BoolArray
    plateau: float | None

    @property
    def degrees(self) -> Array:
        """Degrees of freedom of each variance."""
        return self.pixels * (self.frames - 1.0)


def levels_of(stacks: Sequence[Stack]) -> Levels:
    """Return the levels of series that share one sensor and its setting."""
    rows = [row for k, stack in enumerate(stacks) for row in _levels(k, stack)]
    mean, variance, pixels, frames, spread, series = np.array(rows).reshape(-1, 6).T
    plateau = _plateau(mean, variance, max(stack.full_scale for stack in stacks))
    top = float(max(s.full_scale for s in stacks)) if plateau is None else plateau
    widest = np.sqrt(np.max(variance, initial=0.0))
    steps = np.array([stack.step for stack in stacks])[series.astype(int)]
    usable = (variance >= DITHERED_VARIANCE * steps**2) & (mean + HEADROOM * widest < top)
    usable &= mean - HEADROOM * np.sqrt(variance) > 0.0
    return Levels(mean, variance, pixels, frames, spread, series, usable, plateau)


def _levels(number: int, stack: Stack) -> list[tuple[float, ...]]:
    """Return mean, variance, pixels, frames, spread and series of pixels of like level."""
    mean, variance = stack.mean[stack.flat], stack.variance[stack.flat]
    order = np.argsort(mean, kind="stable")
    count = min(len(mean) // PIXELS_A_LEVEL, MOST_LEVELS)
    found: list[tuple[float, ...]] = []
    for part in np.array_split(order, count) if count else ():
        level, noise = float(np.mean(mean[part])), float(np.mean(variance[part]))
        spread = math.sqrt(max(float(np.var(mean[part])) - noise / stack.frames, 0.0))
        if spread <= MIXED * stack.full_scale:
            found.append((level, noise, len(part), stack.frames, spread, number))
    return found


def _plateau(mean: Array, variance: Array, full_scale: int) -> float | None:
    """Return where saturation holds the brightest pixels: less noise at more light."""
    if not len(mean):
        return None
    peak, end = int(np.argmax(variance)), float(np.max(mean))
    beyond = (mean >= mean[peak]) & (variance < 0.5 * variance[peak])
    # at the bright end of what was seen, and above all that is noisier
    if np.max(mean[beyond], initial=0.0) < max(end - 1e-9, 0.3 * full_scale):
        return None
    return float(np.median(mean[beyond & (mean > end - 2.0)])) if mean[peak] >= 0.5 * end else None


def rounding_square(variance: Array) -> Array:
    """Return B, the mean square by which rounding moves a mean, DN², of a signal's variance."""
    k = np.arange(1, 30)[:, None]
    series = np.exp(-4.0 * np.pi**2 * k**2 * np.ravel(variance)) / (2.0 * np.pi**2 * k**2)
    return np.asarray(np.sum(series, axis=0).reshape(np.shape(variance)))
