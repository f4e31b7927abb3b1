"""Repeats of one unmoving scene: what changes from frame to frame, and what noise is left.

Light that flickers moves all pixels of a frame by a share of their level, and an offset that
drifts moves all alike: both are fitted to each frame and taken out, so that what is left of a
pixel over the frames is its temporal noise. A scene that moves changes pixels by their slope.
What goes steadily from first to last frame is drift or creep, what is left flicker or motion.
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
# Times the middle frame's residual: of 100 shifts along one line the largest is hardly 5.
ODD = 5.0
VALUES_FOR_STEP = 16  # grey values, so many of which tell what all of them are multiples of


@dataclass(frozen=True, eq=False)
class Stack:
    """Repeats, reduced.

    Attributes
    ----------
    mean, variance, flat : (H, W) float64, float64, bool
        Over the frames, DN; temporal, DN²; where a shift wouldn't matter.
    residual : (N, H, W) float64
        Grey value minus mean, less what its frame has in common.
    flicker, drift : float
        Standard deviation of the frames' light beyond noise and drift, and its steady change over
        the series, fractions; 0 where not shown.
    motion_px, creep_px : float
        The same of where the scene is in the picture, pixels.
    full_scale, step : int
        Largest grey value; what all are multiples of: above 1 where bits are shifted up.
    corner : (int, int)
        Sensor column and row of the first pixel.
    """

    name: str
    mean: Array
    variance: Array
    residual: Array
    flat: BoolArray
    flicker: float
    drift: float
    motion_px: float
    creep_px: float
    full_scale: int
    step: int = 1
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
    common, light = _common(residual, mean, flat if np.count_nonzero(flat) > 100 else ~flat)
    residual -= common
    variance = np.asarray(np.sum(residual**2, axis=0) / (frames - 1))
    level, chance = float(np.mean(mean)), float(np.mean(variance)) / variance.size
    shown = _beyond_chance(light[:, None], chance, FLICKER_MATTERS * level)
    return Stack(
        name, mean, variance, residual, flat, shown[0] / level, shown[1] / level,
        *_motion(residual, mean, variance), full_scale, _step(grey[0]), corner
    )  # fmt: skip


def odd_frame(grey: npt.NDArray[Any]) -> int | None:
    """Return which frame differs far more from the mean (N, H, W) than others do, if one does."""
    mean: Array = np.asarray(np.mean(grey, axis=0, dtype=np.float64))
    residual: Array = np.asarray(grey - mean)
    residual -= _common(residual, mean, np.ones(mean.shape, dtype=np.bool_))[0]
    size = np.sqrt(np.mean(residual**2, axis=(1, 2)))
    return int(np.argmax(size)) if 0.0 < ODD * np.median(size) < np.max(size) else None


def _step(grey: npt.NDArray[Any]) -> int:
    """Return the power of two that grey values are multiples of, but for an offset."""
    values = np.unique(grey)
    step = int(np.gcd.reduce(values - values[0])) if len(values) >= VALUES_FOR_STEP else 1
    return step & -step


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


def _motion(residual: Array, mean: Array, variance: Array) -> tuple[float, float]:
    """Return the shifts' root mean square beyond noise, and that from first to last frame."""
    down, across = (np.asarray(part) for part in np.gradient(mean))
    steep = np.hypot(across, down) > 2.0 * math.sqrt(float(np.median(variance)) + 1e-9)
    if np.count_nonzero(steep) < 50:
        return 0.0, 0.0
    weight = 1.0 / np.sqrt(variance[steep] + QUANTISATION_VARIANCE)
    slopes = np.stack((across[steep], down[steep]), axis=1) * weight[:, None]
    inverse = np.linalg.inv(slopes.T @ slopes)
    shifts = -(residual[:, steep] * weight) @ slopes @ inverse
    return _beyond_chance(shifts, float(np.trace(inverse)), MOTION_MATTERS_PX)


def _beyond_chance(values: Array, chance: float, matters: float) -> tuple[float, float]:
    """Return root mean square about the trend, and the trend, of values (N, K) by frame.

    Each is 0 where chance, or the other, explains it.
    """
    n, k = values.shape
    fits = [scipy.stats.linregress(np.arange(n), value) for value in values.T]
    trend = math.hypot(*(float(fit.slope) * (n - 1) for fit in fits))
    steady = min(fit.pvalue for fit in fits) >= P_SHOWN or trend <= matters
    slopes = np.zeros(k) if steady else np.array([float(fit.slope) for fit in fits])
    about = values - (np.arange(n) - 0.5 * (n - 1))[:, None] * slopes
    free = n - 1 - (not steady)
    square = float(np.sum(about**2)) / free
    shown = chance > 0.0 and scipy.stats.chi2.sf(k * free * square / chance, k * free) < P_SHOWN
    spread = math.sqrt(max(square - chance, 0.0)) if shown else 0.0
    return (spread if spread > matters else 0.0), (0.0 if steady else trend)
