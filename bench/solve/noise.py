"""Noise of each pixel: from the sensor's data sheet, or from the picture itself."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.imaging.pixels import Pixels
from bench.imaging.sensor import QUANTISATION_VARIANCE, Sensor
from bench.kernel import kernel
from bench.typing import Array, BoolArray, IntArray

# Pixels below which a variance isn't worth having from them alone: its relative standard
# deviation, √(2/n), is then above 17 %.
ENOUGH_PIXELS = 70
# Residuals beyond 4 standard deviations aren't noise: one in 16,000 of a Gaussian's. Variances
# that outliers inflated settle in a few rounds.
CLIP_SIGMAS, CLIP_ROUNDS = 4.0, 5


@dataclass(frozen=True)
class Noise:
    """Variance of a pixel, DN²: ``dark + slope * max(0, grey - black)``.

    Linear in the mean grey value, as EMVA 1288 has it: read noise and quantisation, and shot
    noise with the gain for slope.
    """

    dark: float
    slope: float
    black: float

    def variance(self, grey: Array) -> Array:
        """Return the variance at mean grey values, DN²."""
        return np.asarray(self.dark + self.slope * np.maximum(grey - self.black, 0.0))


# The same for all pixels: of a picture of which nothing is known yet.
EVEN_NOISE = Noise(1.0, 0.0, 0.0)


def noise_of_sensor(sensor: Sensor) -> Noise:
    """Return the noise that a sensor's figures promise (EMVA 1288 release 4.0)."""
    gain = sensor.system_gain
    dark = gain * gain * sensor.dark_variance + QUANTISATION_VARIANCE
    return Noise(dark, gain, sensor.dark_level)


def noise_of_residuals(residual: Array, predicted: Array, flat: BoolArray, spent: int) -> Noise:
    """Return the noise that a fit leaves on a face: variance against brightness.

    Least squares of squared residuals on predicted grey values, neither coefficient negative.
    Where the face has flat parts enough, dark and bright, they alone are asked: the model of
    the edges may be wrong, that of a flat part hardly. Outliers (dirt, glare) are clipped.

    Parameters
    ----------
    residual, predicted : (N,) float64
        Grey values minus prediction, and prediction.
    flat : (N,) bool
        Pixels far from any edge.
    spent : int
        Parameters fitted to all N pixels.
    """
    black = float(np.min(predicted))
    bright = predicted > 0.5 * (black + float(np.max(predicted)))
    enough = min(np.count_nonzero(flat & bright), np.count_nonzero(flat & ~bright))
    used = flat if enough >= ENOUGH_PIXELS else np.ones_like(flat)
    inflation = 1.0 if enough >= ENOUGH_PIXELS else len(residual) / (len(residual) - spent)
    return _noise_of_squares(inflation * residual[used] ** 2, predicted[used], black)


def _line(level: Array, square: Array) -> tuple[float, float]:
    """Return intercept and slope of the least-squares line, neither negative."""
    slope = float(np.cov(level, square)[0, 1] / max(np.var(level, ddof=1), 1e-12))
    dark = float(np.mean(square)) - slope * float(np.mean(level))
    if slope < 0.0:
        return float(np.mean(square)), 0.0
    if dark < 0.0:
        return 0.0, float(level @ square / (level @ level))
    return dark, slope


def noise_of_differences(
    pixels: Pixels, residual: Array, predicted: Array, flat: BoolArray
) -> Noise | None:
    """Return the noise that neighbours don't share: variance against brightness.

    By what is left of residuals when each is compared with its eight neighbours, weighed 1, -2, 1
    each way (Immerkaer 1996, doi:10.1006/cviu.1996.0060): light that the model doesn't know,
    as long as it is smooth, cancels. Noise that neighbours share cancels too. As
    `noise_of_residuals` it asks flat parts where there are enough.

    Parameters
    ----------
    pixels : Pixels
        Where residuals are.
    residual, predicted : (N,) float64
        Grey values minus prediction, and prediction.
    flat : (N,) bool
        Pixels far from any edge.

    Returns
    -------
    Noise or None
        None where too few pixels have all their neighbours.
    """
    found, asked = _differences(
        pixels.index, pixels.region.width, pixels.region.height, residual, flat
    )
    middle = 0.5 * (float(np.min(predicted)) + float(np.max(predicted)))
    bright = predicted > middle
    enough = min(np.count_nonzero(asked & bright), np.count_nonzero(asked & ~bright))
    used = asked if enough >= ENOUGH_PIXELS else np.isfinite(found)
    if np.count_nonzero(used) < ENOUGH_PIXELS:
        return None
    return _noise_of_squares(found[used] ** 2, predicted[used], float(np.min(predicted)))


def neighbour_correlation(
    pixels: Pixels, standardised: Array, used: BoolArray
) -> tuple[float, float]:
    """Return how residuals correlate with those of the next pixels, and what chance does to it.

    The mean over neighbours across and down: 0 for a sensor's own noise, positive where a picture
    was denoised or interpolated from a mosaic, negative where it was sharpened. The second number
    is the standard deviation of the first without any correlation, 1/√pairs.

    Parameters
    ----------
    pixels : Pixels
        Where residuals are.
    standardised : (N,) float64
        Residuals over their standard deviations.
    used : (N,) bool
        Pixels far from any edge.
    """
    width, height = pixels.region.width, pixels.region.height
    total, square, pairs = _neighbours(pixels.index, width, height, standardised, used)
    if pairs == 0 or square == 0.0:
        return 0.0, math.inf
    return total / square, 1.0 / math.sqrt(pairs)


def _noise_of_squares(square: Array, predicted: Array, black: float) -> Noise:
    """Return the line through squared deviations, without the largest."""
    level = predicted - black
    dark, slope = _line(level, square)
    for _ in range(CLIP_ROUNDS):
        kept = square <= CLIP_SIGMAS**2 * (dark + slope * level)
        dark, slope = _line(level[kept], square[kept])
    return Noise(max(dark, QUANTISATION_VARIANCE), slope, black)


@kernel
def _differences(
    index: IntArray, width: int, height: int, values: Array, flat: BoolArray
) -> tuple[Array, BoolArray]:
    """Return each pixel's second difference (N,), of unit gain on noise, NaN without neighbours.

    And whether it and all its neighbours are flat.
    """
    place = np.full(width * height, -1)
    for n in range(len(index)):
        place[index[n]] = n
    found, asked = np.full(len(index), np.nan), np.zeros(len(index), np.bool_)
    for n in range(len(index)):
        i, j = index[n] // width, index[n] % width
        if i == 0 or j == 0 or i == height - 1 or j == width - 1:
            continue
        total, whole, even = 0.0, True, True
        for a in range(-1, 2):
            for b in range(-1, 2):
                m = place[index[n] + a * width + b]
                if m < 0:
                    whole = False
                    break
                even = even and flat[m]
                total += (1.0 if a else -2.0) * (1.0 if b else -2.0) * values[m]
            if not whole:
                break
        if whole:
            found[n], asked[n] = total / 6.0, even
    return found, asked


@kernel
def _neighbours(
    index: IntArray, width: int, height: int, values: Array, used: BoolArray
) -> tuple[float, float, int]:
    """Return Σ z z' and Σ (z² + z'²)/2 over pairs of neighbours, and their number."""
    place = np.full(width * height + width, -1)
    for n in range(len(index)):
        if used[n]:
            place[index[n]] = n
    total, square, pairs = 0.0, 0.0, 0
    for n in range(len(index)):
        if not used[n]:
            continue
        for step in (1, width):
            if step == 1 and index[n] % width == width - 1:
                continue
            m = place[index[n] + step]
            if m >= 0:
                total += values[n] * values[m]
                square += 0.5 * (values[n] * values[n] + values[m] * values[m])
                pairs += 1
    return total, square, pairs
