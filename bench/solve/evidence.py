"""Evidence of a picture's own residuals against a fit: strong boundaries, and flat parts.

χ² of all pixels is a poor witness: boundaries are few among many, and where noise is learnt from
residuals it can't be large. On strong boundaries noise of flat parts has no say; in flat parts
light has. Of a picture that is hardly explained the claim is wide; of one that isn't at all the
pose is a guess, however sharp its covariance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.imaging.pixels import Pixels
from bench.solve.noise import Noise, neighbour_correlation
from bench.solve.robust import FLAT, MAD_TO_SIGMA, STRONG, mismatch_px
from bench.typing import Array, BoolArray

# Beyond any of these a fit doesn't explain its picture. Corners of the bundled detectors are off
# by 0.02 to 0.3 px, save those of aruco-none and aruco-contour: boundaries of a fit that are off
# by more, in the median and beyond noise, tell less than corners do.
MOST_OFF_PX = 0.3
# A majority of pixels must agree, or the fit is that of a minority.
MOST_DISTRUSTED = 0.5
# Of the contrast, root mean square of what neighbours share in flat parts: what still shifts a
# boundary of 0.7 px blur by no more than `MOST_OFF_PX` / 3.
MOST_LEFT = 0.06
# Standard deviations by which a squared spread must exceed noise's to count at all; the median
# absolute deviation has 0.37 of the efficiency of a standard deviation (Hampel 1974,
# doi:10.1080/01621459.1974.10482962), so that its square varies by √(2 / 0.37 n) of itself.
BEYOND_CHANCE, MAD_EFFICIENCY = 3.0, 0.37
# Standard deviations by which a correlation of neighbours must differ from none: 1 in 16,000.
CORRELATED_SIGMAS = 4.0


@dataclass(frozen=True)
class Evidence:
    """What a fit leaves.

    Attributes
    ----------
    edge_chi_square : float
        Mean square of standardised residuals on strong boundaries, of pixels trusted, against
        noise alone; 1 is right.
    off_px : float
        How far strong boundaries are off in the median, beyond what noise does.
    distrusted : float
        Share of strong boundaries' pixels that count for less than half.
    left : float
        What neighbours in flat parts share, of the contrast: another drawing, light that no
        field follows. A camera's noise has none of it, however much of it there is.
    correlation : float
        Of residuals of neighbours in flat parts; 0 where chance explains it.
    chequered : bool
        Whether every other pixel of flat parts is noisier, as interpolation of a colour mosaic
        leaves them.
    """

    edge_chi_square: float
    off_px: float
    distrusted: float
    left: float
    correlation: float = 0.0
    chequered: bool = False

    @property
    def suspected(self) -> tuple[str, ...]:
        """What a claim from noise alone doesn't know of."""
        found = {
            "correlated": self.correlation != 0.0,
            "mosaic": self.chequered,
            "contradicted": self.contradicts,
        }
        return tuple(name for name, is_so in found.items() if is_so)

    @property
    def contradicts(self) -> bool:
        """Whether it refutes the pose rather than its claim."""
        return (
            self.off_px > MOST_OFF_PX or self.distrusted > MOST_DISTRUSTED or self.left > MOST_LEFT
        )


def evidence_of(
    pixels: Pixels,
    grey: Array,
    predicted: Array,
    strength: Array,
    noise: Noise,
    trust: Array | None,
) -> Evidence:
    """Return what residuals say.

    Parameters
    ----------
    pixels : Pixels
        Where.
    grey, predicted : (N,) float64
        Grey values, and what the fit makes of them.
    strength : (N,) float64
        How much they change for each pixel that the target moves.
    noise : Noise
        Of the grey values.
    trust : (N,) float64 or None
        Factor from 0 to 1 for each pixel, as the fit had it.
    """
    trust = np.ones(len(grey)) if trust is None else trust
    residual, variance = grey - predicted, noise.variance(predicted)
    strong = strength > STRONG * np.max(strength)
    share = trust * strong
    edge = float(share @ (residual**2 / variance)) / max(float(np.sum(share)), 1e-9)
    flat = (strength < FLAT * np.max(strength)) & (trust > 0.5)
    z = residual / np.sqrt(variance)
    correlation = correlation_of(pixels, z, flat)
    left = 0.0
    if correlation > 0.0:
        spread = MAD_TO_SIGMA * float(np.median(np.abs(residual[flat])))
        left = spread * float(np.sqrt(correlation)) / float(np.ptp(predicted))
    return Evidence(
        edge,
        mismatch_px(residual, strength, noise, predicted, _slack(strong)),
        float(np.mean(trust[strong] < 0.5)) if np.any(strong) else 0.0,
        left,
        correlation,
        is_chequered(pixels, z, flat),
    )


def correlation_of(pixels: Pixels, standardised: Array, flat: BoolArray) -> float:
    """Return the correlation of neighbours' residuals, or 0 where chance explains it."""
    found, chance = neighbour_correlation(pixels, standardised, flat)
    return found if abs(found) > CORRELATED_SIGMAS * chance else 0.0


def is_chequered(pixels: Pixels, standardised: Array, flat: BoolArray) -> bool:
    """Tell whether pixels of one colour of a chessboard are noisier than the others."""
    row, column = np.divmod(pixels.index[flat], pixels.region.width)
    odd = (row + column) % 2 == 1
    square = standardised[flat] ** 2
    first, second = square[odd], square[~odd]
    if min(len(first), len(second)) < 2 or not (np.any(first) and np.any(second)):
        return False
    # a variance's logarithm varies by √(2/n) (Bartlett and Kendall 1946)
    chance = np.sqrt(2.0 / len(first) + 2.0 / len(second))
    return bool(abs(np.log(np.mean(first) / np.mean(second))) > CORRELATED_SIGMAS * chance)


def _slack(asked: BoolArray) -> float:
    """Return the factor by which chance may raise a squared spread of these pixels."""
    count = max(1, int(np.count_nonzero(asked)))
    return 1.0 + BEYOND_CHANCE * float(np.sqrt(2.0 / (MAD_EFFICIENCY * count)))
