"""Correlation of temporal noise with neighbours, along rows and within blocks.

A sensor's noise is white (EMVA 1288 calls for its spectrum). A picture that was denoised, scaled
or interpolated from a mosaic has neighbours alike, a sharpened one opposite, JPEG both within its
blocks of 8. Pipelines that take noise for white then claim too little or too much: of n pixels
the mean scatters by the *inflation* √(Σ ρ) more than independent ones would.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from bench.characterise.stack import Stack
from bench.errors import ConfigError
from bench.imaging.processing import REACH, Correlation, check_correlation
from bench.imaging.sensor import QUANTISATION_VARIANCE
from bench.typing import Array, BoolArray

# Beyond chance by so many standard deviations, and by what changes a claim: neighbours on all
# sides alike by 0.02 widen a mean by √(1 + 8 · 0.02) = 1.08.
SHOWN_SIGMAS, MATTERS = 5.0, 0.02
ROW_LAGS = range(6, 12)
# DN², below which a pixel hardly ever leaves one grey value: what then is left is its frame's.
STEADY = 0.05


@dataclass(frozen=True, eq=False)
class Whiteness:
    """What temporal noise shares between pixels.

    Attributes
    ----------
    correlation, u : (2 REACH + 1, 2 REACH + 1) float64, float
        With the pixel so many rows and columns away, 1 in the middle; its standard uncertainty.
    rows, blocks : float
        Along a row far beyond neighbours: of lines that are read out together; and of neighbours
        within blocks of 8 less that across their borders.
    """

    correlation: Array
    u: float
    rows: float
    blocks: float

    @property
    def inflation(self) -> float:
        """By how much more a mean scatters than of independent pixels."""
        return math.sqrt(max(float(np.sum(self.correlation)), 0.0))

    @property
    def correlated(self) -> bool:
        """Whether any neighbour's correlation is shown and matters."""
        second = float(np.sort(np.abs(self.correlation), axis=None)[-2])  # the first is 1
        return second > max(SHOWN_SIGMAS * self.u, MATTERS) or self.banded

    @property
    def banded(self) -> bool:
        """Whether rows have noise of their own."""
        return self.rows > max(SHOWN_SIGMAS * self.u, MATTERS)

    @property
    def blocked(self) -> bool:
        """Whether neighbours within blocks of 8 are more alike than those across borders."""
        u = self.u * math.sqrt(8.0 + 8.0 / 7.0)  # one pair in eight crosses
        return self.blocks > max(SHOWN_SIGMAS * u, MATTERS)

    @property
    def widening(self) -> float:
        """By how much more than of independent pixels variances or means scatter, at most."""
        return max(math.sqrt(float(np.sum(self.correlation**2))), self.inflation)

    def model(self) -> Correlation | None:
        """Return it as a bay file has it; None of what such noise isn't: rows, blocks, slants."""
        least = max(SHOWN_SIGMAS * self.u, MATTERS)
        slant = np.abs(self.correlation - self.correlation[:, ::-1]) > least
        if self.banded or self.blocked or np.any(slant):
            return None
        table = (0.5 * (self.correlation + self.correlation[:, ::-1]))[REACH:, REACH:]
        table[np.abs(table) < 3.0 * self.u] = 0.0
        size = 1 + int(np.max(np.argwhere(np.abs(table) >= 0.5 * MATTERS)))
        found = tuple(tuple(round(float(v), 3) for v in row[:size]) for row in table[:size])
        try:
            check_correlation(found)
        except ConfigError:
            return None
        return found

    @property
    def words(self) -> str:
        """Say what is shared, and what usually makes it so."""
        near = float(np.mean(self.correlation[[REACH, REACH + 1], [REACH + 1, REACH]]))
        if self.u > 0.5 * MATTERS:
            return "whether neighbours share noise can't be told: too few pixels, or all saturated"
        told = f"neighbours correlate by {near:+.3f} ± {self.u:.3f}"
        if not (self.correlated or self.blocked):
            return f"noise is white: {told}"
        reasons = (
            (self.blocked, "in blocks of 8: compressed as JPEG"),
            (self.banded, "along rows: lines have noise of their own"),
            (near < 0.0, "opposite: sharpened"),
            (True, "alike: denoised, scaled, or interpolated from a colour mosaic"),
        )
        return f"noise isn't white: {told}, {next(why for holds, why in reasons if holds)}"


def whiteness_of(stacks: Sequence[Stack]) -> Whiteness:
    """Return what noise shares, of all frames of series that aren't saturated.

    Residuals are over each pixel's own standard deviation, so that bright parts don't decide, less
    what rounding adds, which neighbours don't share; what subtracting the mean of N frames does to
    all of them alike, it does to pairs too.
    """
    sums = np.zeros((2, 2 * REACH + 1, 2 * REACH + 1))  # of products, and how many
    within, borders, far = np.zeros((3, 2))
    for stack in stacks:
        used = stack.flat & (stack.variance > STEADY) & (stack.mean < 0.97 * stack.full_scale)
        signal = np.maximum(stack.variance - QUANTISATION_VARIANCE, 0.5 * stack.variance)
        sigma = np.sqrt(np.where(used, signal, 1.0))
        z = np.where(used, stack.residual / sigma, 0.0)
        # a correlation of few is too small by 1/(2 degrees) of itself (Olkin and Pratt 1958)
        free = stack.frames - 1.0
        z *= math.sqrt(stack.frames / free * (1.0 + 0.5 / free))
        for i, j in product(range(REACH + 1), range(-REACH, REACH + 1)):
            if (i, j) > (0, 0):
                sums[:, REACH + i, REACH + j] += _pairs(z, used, i, j)
        far += np.sum([_pairs(z, used, 0, j) for j in ROW_LAGS], axis=0)
        # blocks are the whole picture's, of which this is a part
        column = np.broadcast_to((stack.corner[0] + np.arange(z.shape[2])) % 8 == 7, used.shape)
        borders += _pairs(z, used, 0, 1, column)
        within += _pairs(z, used, 0, 1, ~column)
    total, pairs = sums + sums[:, ::-1, ::-1]
    correlation = total / np.maximum(pairs, 1.0)
    correlation[REACH, REACH] = 1.0
    u = 1.0 / math.sqrt(max(pairs[REACH, REACH + 1], 1.0))
    rows, inside, across = (float(s / max(n, 1.0)) for s, n in (far, within, borders))
    return Whiteness(correlation, u, rows, inside - across)


def _pairs(
    z: Array, used: BoolArray, i: int, j: int, first: BoolArray | None = None
) -> tuple[float, float]:
    """Return the sum of products with the pixel i rows and j columns on, and how many."""
    height, width = used.shape
    if i >= height or abs(j) >= width:
        return 0.0, 0.0
    here = (slice(0, height - i), slice(max(-j, 0), width - max(j, 0)))
    there = (slice(i, height), slice(max(j, 0), width - max(-j, 0)))
    both = used[here] & used[there]
    if first is not None:
        both = both & first[here]
    total = np.einsum("nij,nij,ij->", z[:, *here], z[:, *there], both.astype(np.float64))
    return float(total), float(np.count_nonzero(both) * len(z))


def pattern_of(stacks: Sequence[Stack], white: Whiteness) -> tuple[float, float]:
    """Return fixed pattern against level: standard deviation as a fraction, and its uncertainty.

    Of second differences of the mean picture across (weights 1, -2, 1 over √6), less what noise
    leaves of N frames: smooth light cancels. On a target the paper's grain is in it. Above black
    the level isn't known well enough to tell an offset pattern from it; take dark frames for that.
    """
    found = []
    near = white.correlation[REACH, REACH + 1 : REACH + 3]
    left = 1.0 - (4.0 * near[0] - near[1]) / 3.0  # of noise, in second differences
    for stack in stacks:
        bright = stack.flat & (stack.mean > 0.4 * float(np.max(stack.mean)))
        bright &= stack.mean < 0.96 * stack.full_scale
        inner = bright[:, 2:] & bright[:, 1:-1] & bright[:, :-2]
        n = int(np.count_nonzero(inner))
        if n >= 200:
            whole = float(np.mean(np.diff(stack.mean, 2)[inner] ** 2)) / 6.0
            noise = left * float(np.mean(stack.variance[bright])) / stack.frames
            level = float(np.mean(stack.mean[bright])) ** 2
            # 35/18: what neighbouring differences, which share pixels, add to a mean's variance
            u = whole / level * math.sqrt(2.0 * 35.0 / 18.0 / n)
            found.append((u, (whole - noise) / level))
    u, square = min(found, default=(math.nan, math.nan))
    root = math.sqrt(max(square, 0.0))
    return root, (0.5 * u / root if square > 2.0 * u else math.sqrt(u))
