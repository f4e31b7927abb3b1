"""Repeats of one unmoving scene: what changes from frame to frame, and what noise is left.

Light that flickers moves all pixels of a frame by a share of their level, and an offset that
drifts moves all alike: both are fitted to each frame and taken out, so that what is left of a
pixel over the frames is its temporal noise. A scene that moves changes pixels by their slope.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import scipy

from bench.errors import PictureError
from bench.imaging.sensor import QUANTISATION_VARIANCE
from bench.typing import Array, BoolArray

LEAST_FRAMES, LEAST_PIXELS = 4, 400
# Of a pixel's noise, what its level may change by over a pixel: a shift of 0.1 px then adds
# (0.1 · 0.5)² = 0.25 % to its variance.
FLAT_SIGMAS = 0.5
# A chance of 1 in 10,000 for each of the few things asked; and sizes below which they don't
# matter: 0.2 % of light is 0.4 DN at 200, 0.02 px is a fifth of what detectors claim for a corner.
P_SHOWN, FLICKER_MATTERS, MOTION_MATTERS_PX = 1e-4, 0.002, 0.02


@dataclass(frozen=True, eq=False)
class Stack:
    """Repeats, reduced.

    Attributes
    ----------
    name : str
        Of the series.
    mean : (H, W) float64
        Over the frames, DN.
    residual : (N, H, W) float64
        Grey value minus mean, less what its frame has in common.
    variance : (H, W) float64
        Temporal, DN².
    flat : (H, W) bool
        Where a shift wouldn't matter.
    flicker : float
        Standard deviation of the frames' light, a fraction, beyond noise; 0 where not shown.
    drift : float
        Change of the light over the series, a fraction; 0 where not shown.
    motion_px, creep_px : float
        Root mean square shift of the frames, and shift over the whole series; 0 where not shown.
    full_scale : int
        Largest grey value.
    corner : (int, int)
        Sensor column and row of the first pixel.
    """

    name: str
    mean: Array
    residual: Array
    variance: Array
    flat: BoolArray
    flicker: float
    drift: float
    motion_px: float
    creep_px: float
    full_scale: int
    corner: tuple[int, int] = (0, 0)

    @property
    def frames(self) -> int:
        """Number of frames."""
        return len(self.residual)

    @property
    def changes(self) -> list[str]:
        """What isn't steady, in words."""
        told = (
            (self.flicker, f"light flickers by {100.0 * self.flicker:.2g} %"),
            (self.drift, f"light drifts by {100.0 * self.drift:.2g} %"),
            (self.motion_px, f"frames shift by {self.motion_px:.2g} px"),
            (self.creep_px, f"the scene creeps by {self.creep_px:.2g} px"),
        )
        return [words for size, words in told if size]


def reduce_stack(
    name: str,
    grey: npt.NDArray[Any],
    full_scale: int,
    corner: tuple[int, int] = (0, 0),
) -> Stack:
    """Return repeats (N, H, W) of one scene, reduced.

    Raises
    ------
    PictureError
        Too few frames or pixels.
    """
    frames = len(grey)
    if frames < LEAST_FRAMES or grey[0].size < LEAST_PIXELS:
        raise PictureError(
            f"{name}: {frames} frames of {grey[0].size} px; noise needs {LEAST_FRAMES} frames of "
            f"{LEAST_PIXELS} px or more"
        )
    mean: Array = np.asarray(np.mean(grey, axis=0, dtype=np.float64))
    residual: Array = np.asarray(grey - mean)
    variance: Array = np.asarray(np.sum(residual**2, axis=0) / (frames - 1))
    noise = math.sqrt(float(np.median(variance)) + QUANTISATION_VARIANCE)
    # over three pixels: pixels that differ from their neighbours aren't slopes
    flat = np.hypot(*np.gradient(cv2.blur(mean, (3, 3)))) <= FLAT_SIGMAS * noise
    down, across = (np.asarray(part) for part in np.gradient(mean))
    common, light = _common(residual, mean, flat if np.count_nonzero(flat) > 100 else ~flat)
    residual -= common
    variance = np.asarray(np.sum(residual**2, axis=0) / (frames - 1))
    flicker, drift = _shown_light(light, variance, mean)
    motion, creep = _motion(residual, across, down, variance)
    return Stack(
        name, mean, residual, variance, flat, flicker, drift, motion, creep, full_scale, corner
    )  # fmt: skip


def _common(residual: Array, mean: Array, used: BoolArray) -> tuple[Array, Array]:
    """Return what all pixels of a frame share (N, H, W), and by how much it is brighter (N,)."""
    level = mean - float(np.mean(mean[used]))
    spread = float(np.std(level[used]))
    rows = [np.ones(mean.shape)]
    if spread > 5.0:  # otherwise a gain can't be told from an offset
        rows.append(level / spread)
    design = np.stack([row[used] for row in rows], axis=1)
    amounts = np.linalg.lstsq(design, residual[:, used].T, rcond=None)[0]
    return np.tensordot(amounts.T, np.stack(rows), axes=1), amounts[0]


def _shown_light(light: Array, variance: Array, mean: Array) -> tuple[float, float]:
    """Return flicker and drift of the frames' mean grey values, 0 where chance explains them."""
    level, chance = float(np.mean(mean)), float(np.mean(variance)) / variance.size
    both = _beyond_chance(light[:, None], chance, FLICKER_MATTERS * level)
    return both[0] / level, both[1] / level


def _motion(residual: Array, across: Array, down: Array, variance: Array) -> tuple[float, float]:
    """Return the shifts' root mean square beyond noise, and that from first to last frame."""
    steep = np.hypot(across, down) > 2.0 * math.sqrt(float(np.median(variance)) + 1e-9)
    if np.count_nonzero(steep) < 50:
        return 0.0, 0.0
    weight = 1.0 / np.sqrt(variance[steep] + QUANTISATION_VARIANCE)
    slopes = np.stack((across[steep], down[steep]), axis=1) * weight[:, None]
    inverse = np.linalg.inv(slopes.T @ slopes)
    shifts = -(residual[:, steep] * weight) @ slopes @ inverse
    return _beyond_chance(shifts, float(np.trace(inverse)), MOTION_MATTERS_PX)


def _beyond_chance(values: Array, chance: float, matters: float) -> tuple[float, float]:
    """Return root mean square and trend of values (N, K) by frame, where chance has others."""
    n, k = values.shape
    square = float(np.sum(values**2)) / (n - 1)
    spread = math.sqrt(max(square - chance, 0.0))
    free = k * (n - 1)
    shown = chance > 0.0 and scipy.stats.chi2.sf(free * square / chance, free) < P_SHOWN
    fits = [scipy.stats.linregress(np.arange(n), value) for value in values.T]
    trend = math.hypot(*(float(fit.slope) * (n - 1) for fit in fits))
    steady = min(fit.pvalue for fit in fits) >= P_SHOWN or trend <= matters
    return (spread if shown and spread > matters else 0.0), (0.0 if steady else trend)
