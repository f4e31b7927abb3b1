"""What a picture's own residuals say against a fit: on strong boundaries, and in flat parts.

χ² of all pixels is a poor witness: boundaries are few among many, and where noise is learnt from
residuals it can't be large. On strong boundaries noise of flat parts has no say; in flat parts
light has. Of a picture that is hardly explained the claim is wide; of one that isn't at all the
pose is a guess, however sharp its covariance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.solve.noise import Noise
from bench.solve.robust import FLAT, MAD_TO_SIGMA, STRONG, mismatch_px
from bench.typing import Array, BoolArray

# Beyond any of these a fit doesn't explain its picture. Corners of the bundled detectors are off
# by 0.02 to 0.3 px, save those of aruco-none and aruco-contour: boundaries of a fit that are off
# by more, in the median and beyond noise, tell less than corners do.
MOST_OFF_PX = 0.3
# A majority of pixels must agree, or the fit is that of a minority.
MOST_DISTRUSTED = 0.5
# Of the contrast, root mean square beyond noise in flat parts: what still shifts a boundary of
# 0.7 px blur by no more than `MOST_OFF_PX` / 3.
MOST_LEFT = 0.06
# Standard deviations by which a squared spread must exceed noise's to count at all; the median
# absolute deviation has 0.37 of the efficiency of a standard deviation (Hampel 1974,
# doi:10.1080/01621459.1974.10482962), so that its square varies by √(2 / 0.37 n) of itself.
BEYOND_CHANCE, MAD_EFFICIENCY = 3.0, 0.37


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
        What flat parts leave beyond noise, of the contrast, from the median.
    """

    edge_chi_square: float
    off_px: float
    distrusted: float
    left: float

    @property
    def contradicts(self) -> bool:
        """Whether it refutes the pose rather than its claim."""
        return (
            self.off_px > MOST_OFF_PX or self.distrusted > MOST_DISTRUSTED or self.left > MOST_LEFT
        )


def evidence_of(
    grey: Array, predicted: Array, strength: Array, noise: Noise, trust: Array | None
) -> Evidence:
    """Return what residuals say.

    Parameters
    ----------
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
    flat = strength < FLAT * np.max(strength)
    left = 0.0
    if np.any(flat):
        spread = MAD_TO_SIGMA * float(np.median(np.abs(residual[flat])))
        expected = _slack(flat) * float(np.median(variance[flat]))
        left = float(np.sqrt(max(0.0, spread**2 - expected))) / float(np.ptp(predicted))
    return Evidence(
        edge,
        mismatch_px(residual, strength, noise, predicted, _slack(strong)),
        float(np.mean(trust[strong] < 0.5)) if np.any(strong) else 0.0,
        left,
    )


def _slack(asked: BoolArray) -> float:
    """Return the factor by which chance may raise a squared spread of these pixels."""
    count = max(1, int(np.count_nonzero(asked)))
    return 1.0 + BEYOND_CHANCE * float(np.sqrt(2.0 / (MAD_EFFICIENCY * count)))
