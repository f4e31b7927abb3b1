"""Picture of a plane through a Gaussian lens and square pixels, straight from its boundaries.

The picture is reflectance convolved with h(u) h(v), the pixel's box convolved with a Gaussian.
With H the integral of h, d/du [H(u) h(v)] = h(u) h(v), so by Green's theorem a chord of step s
adds to the pixel at (u, v)::

    s ∫ H(u - u') h(v - v') dv'     along the chord's points (u', v')

which is the exact scan conversion of `bench.imaging.raster` with soft kernels in place of a
box's. There is no oversampled picture to filter: the integrand is smooth on the scale of σ,
so few Gauss-Legendre points a σ give it to 1e-5, and each point touches the few pixels
within reach; to the right H is one and a sum along the row carries it on.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from bench.imaging.chords import Chords
from bench.imaging.picture import Region
from bench.imaging.raster import sum_rows
from bench.kernel import kernel
from bench.typing import Array

# Where the kernels are cut off, in σ beyond the pixel's own half width: ndtr(-4) = 3e-5.
CUT_SIGMAS = 4.0
# Kernels are tabulated at offsets so many to a σ, and to a pixel, and interpolated linearly: the
# error, h''/8 of a spacing squared, is below 0.25 / σ² (σ/64)² / 8 = 8e-6.
PHASES_PER_SIGMA = 64
SQRT_HALF, SQRT_PI = math.sqrt(0.5), math.sqrt(math.pi)
# Gauss-Legendre points on each piece of a chord, the longest piece in σ, and the shares of it
# up to which one point or two do. Where a chain of pieces L is cut, the rules leave L²/24,
# L⁴/4320 and L⁶/2016000 of the integrand's first, third and fifth derivative, which for a
# Gaussian reach 0.24/σ², 0.55/σ⁴ and 2.3/σ⁶: 6e-5, 2e-5 and 5e-6 of a step.
NODES = 3
PIECE_SIGMAS = 1.25
ONE_POINT, TWO_POINTS = 0.06, 0.5


def _quadratures() -> tuple[Array, Array]:
    """Return nodes and weights on 0 to 1; row n - 1 holds the rule of n points."""
    nodes, weights = np.zeros((NODES, NODES)), np.zeros((NODES, NODES))
    for n in range(1, NODES + 1):
        x, w = np.polynomial.legendre.leggauss(n)
        nodes[n - 1, :n], weights[n - 1, :n] = 0.5 * (x + 1.0), 0.5 * w
    return nodes, weights


_QUADRATURES = _quadratures()


def blurred_image(
    chords: Chords, background: float, sigma_px: float, region: Region, oversample: int = 1
) -> Array:
    """Return reflectance seen through a Gaussian and the box of each pixel, or part of one.

    Parameters
    ----------
    chords : Chords
        All boundaries, closed, those outside the region included.
    background : float
        Reflectance beyond them.
    sigma_px : float
        Standard deviation, pixels, positive.
    region : Region
        Which pixels.
    oversample : int
        Parts along each side of a pixel.

    Returns
    -------
    (H * oversample, W * oversample) float64
    """
    image = np.zeros((region.height * oversample, region.width * oversample))
    corner = np.array([region.u0, region.v0] * 2) - 0.5
    tables = kernel_tables(sigma_px * oversample)
    ends, steps = _within_reach(
        (chords.ends - corner) * oversample - 0.5,
        chords.steps,
        image.shape[0],
        image.shape[1],
        0.5 * tables[0].shape[1],
    )
    _splat(image, ends, steps, *tables, PIECE_SIGMAS * sigma_px * oversample, *_QUADRATURES)
    sum_rows(image, background)
    return image


@lru_cache(maxsize=64)
def kernel_tables(sigma_px: float) -> tuple[Array, Array]:
    """Return h and the increments of H at the pixels near a point, for each phase.

    Returns
    -------
    (P + 1, 2 R) float64, twice
        Row p, column j: for a point at offset p / P beyond a pixel's centre, the value at the
        pixel j - R + 1 further on; each row sums to one. The outermost values of h, beyond the
        cut, are zero.
    """
    reach = 1 + int(np.ceil(0.5 + CUT_SIGMAS * sigma_px))
    phases = int(np.ceil(PHASES_PER_SIGMA * max(1.0, 1.0 / sigma_px)))
    return _tables(sigma_px, phases, reach)


@kernel
def _tables(sigma: float, phases: int, reach: int) -> tuple[Array, Array]:
    """Fill the tables; a step through a Gaussian is Φ(z), its integral z Φ(z) + φ(z)."""
    taps = 2 * reach
    pdf, increments = np.zeros((phases + 1, taps)), np.empty((phases + 1, taps))
    for p in range(phases + 1):
        total = before = 0.0
        z = (-reach + 0.5 - p / phases) / sigma  # of a pixel's left side, seen from the point
        step = 0.5 * math.erfc(-z * SQRT_HALF)
        ramp = z * step + SQRT_HALF / SQRT_PI * math.exp(-0.5 * z * z)
        for j in range(taps):
            z = (-reach + 1.5 + j - p / phases) / sigma
            next_step = 0.5 * math.erfc(-z * SQRT_HALF)
            next_ramp = z * next_step + SQRT_HALF / SQRT_PI * math.exp(-0.5 * z * z)
            if 0 < j < taps - 1:
                pdf[p, j] = next_step - step
                total += pdf[p, j]
            integral = sigma * (next_ramp - ramp) if j < taps - 1 else 1.0
            increments[p, j] = integral - before
            before, step, ramp = integral, next_step, next_ramp
        for j in range(taps):
            pdf[p, j] /= total
    return pdf, increments


@kernel
def _within_reach(
    ends: Array, steps: Array, height: int, width: int, reach: float
) -> tuple[Array, Array]:
    """Cut chords (N, 4) to what matters to a picture (H, W).

    Left of its reach only a chord's rows matter, since H is one: the part there becomes
    vertical. So a plate that runs far out of the picture costs no more than what is in it.
    """
    kept, kept_steps = np.empty((2 * len(steps), 4)), np.empty(2 * len(steps))
    n = 0
    for k in range(len(steps)):
        u0, v0, u1, v1 = ends[k, 0], ends[k, 1], ends[k, 2], ends[k, 3]
        du, dv = u1 - u0, v1 - v0
        if dv == 0.0:
            continue
        t_top, t_bottom = (-reach - v0) / dv, (height + reach - v0) / dv
        first, last = max(0.0, min(t_top, t_bottom)), min(1.0, max(t_top, t_bottom))
        # left of the reach from `l0` to `l1`, within it from `low` to `high`
        if du > 0.0:
            low, high = (-reach - u0) / du, (width + reach - u0) / du
            l0, l1 = 0.0, low
        elif du < 0.0:
            low, high = (width + reach - u0) / du, (-reach - u0) / du
            l0, l1 = high, 1.0
        else:
            low, high = (0.0, 1.0) if -reach <= u0 <= width + reach else (1.0, 0.0)
            l0, l1 = (0.0, 1.0) if u0 < -reach else (1.0, 0.0)
        for part in range(2):
            a = max(first, low if part == 0 else l0)
            b = min(last, high if part == 0 else l1)
            if a >= b:
                continue
            kept[n, 1], kept[n, 3] = v0 + a * dv, v0 + b * dv
            if part == 0:
                kept[n, 0], kept[n, 2] = u0 + a * du, u0 + b * du
            else:
                kept[n, 0] = kept[n, 2] = -reach
            kept_steps[n] = steps[k]
            n += 1
    return kept[:n], kept_steps[:n]


@kernel
def _splat(
    image: Array,
    ends: Array,
    steps: Array,
    pdf: Array,
    increments: Array,
    longest: float,
    nodes: Array,
    weights: Array,
) -> None:
    """Add each chord's change along the rows to `image` (H, W); chords are within reach."""
    height, width = image.shape
    phases, taps = pdf.shape[0] - 1, pdf.shape[1]
    reach = taps // 2
    across, down = np.empty(taps), np.empty(taps)
    for k in range(len(steps)):
        u0, v0, u1, v1 = ends[k, 0], ends[k, 1], ends[k, 2], ends[k, 3]
        du, dv = u1 - u0, v1 - v0
        needed = np.hypot(du, dv) / longest
        pieces = int(np.ceil(needed))
        points = 1 if needed < ONE_POINT else 2 if needed < TWO_POINTS else NODES
        for piece in range(pieces):
            for q in range(points):
                t = (piece + nodes[points - 1, q]) / pieces
                u, v = u0 + t * du, v0 + t * dv
                change = steps[k] * dv * weights[points - 1, q] / pieces
                column, row = int(np.floor(u)), int(np.floor(v))
                fu, fv = (u - column) * phases, (v - row) * phases
                pu, pv = min(int(fu), phases - 1), min(int(fv), phases - 1)
                fu -= pu
                fv -= pv
                low, high = increments[pu], increments[pu + 1]
                first, second = pdf[pv], pdf[pv + 1]
                for j in range(taps):
                    across[j] = low[j] + fu * (high[j] - low[j])
                    down[j] = change * (first[j] + fv * (second[j] - first[j]))
                left, top = column - reach + 1, row - reach + 1
                inside = left >= 0 and left + taps <= width
                # at the first and the last tap h is zero, while H reaches one at the last
                for i in range(max(1, -top), min(taps - 1, height - top)):
                    if inside:  # a slice: its indices aren't negative, so that it is vectorised
                        seen, share = image[top + i, left : left + taps], down[i]
                        for j in range(taps):
                            seen[j] += share * across[j]
                    else:  # what is left of the region changes all of the row
                        for j in range(taps):
                            if left + j < width:
                                image[top + i, max(0, left + j)] += down[i] * across[j]
