"""Derivatives of the blurred picture by its blur's shape, of second and third order.

A spot with the covariance ½(a, b; b, -a) more than a round Gaussian's, and third cumulants
(k_uuu, k_uuv, k_uvv, k_vvv), makes of the blurred picture B, to first order (Gram-Charlier: Cramér
1946, section 17.6; each u and v once for every order in which it can be taken)::

    B + a ½(∂uu - ∂vv)B + b ∂uvB - k_uuu/6 ∂uuuB - k_uuv/2 ∂uuvB - k_uvv/2 ∂uvvB - k_vvv/6 ∂vvvB

As in `bench.imaging.sensitivity`, with h(u) h(v) the pixel's box convolved with the Gaussian::

    ∂u B = s ∮ h(u-u') h(v-v') dv'    ∂v B = - s ∮ h(u-u') h(v-v') du'

and every further derivative falls on an h. They touch the pixels near a boundary alone.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from bench.imaging.chords import Chords
from bench.imaging.picture import Region
from bench.imaging.sensitivity import (
    CUT_SIGMAS,
    PHASES_PER_SIGMA,
    PIECE_SIGMAS,
    QUADRATURE,
    within,
)
from bench.kernel import kernel
from bench.typing import Array, IntArray

CHANNELS = 6


def blurred_derivatives(
    chords: Chords, sigma_px: float, region: Region, places: IntArray
) -> Array:
    """Return (½(∂uu - ∂vv), ∂uv, ∂uuu, ∂uuv, ∂uvv, ∂vvv) of the blurred picture (N, 6).

    Parameters
    ----------
    chords : Chords
        Boundaries.
    sigma_px : float
        Blur, pixels, positive.
    region : Region
        Which pixels.
    places : (H, W) int64
        The row of the answer that each pixel goes to, -1 for none.

    Returns
    -------
    (N, 6) float64
        Of reflectance, per px² and px³.
    """
    out = np.zeros((int(places.max(initial=-1)) + 1, CHANNELS))
    _splat(
        out,
        places,
        chords.ends - np.array([region.u0, region.v0] * 2, dtype=np.float64),
        chords.steps,
        _tables(sigma_px),
        PIECE_SIGMAS * sigma_px,
        *QUADRATURE,
    )
    return out


@lru_cache(maxsize=64)
def _tables(sigma_px: float) -> Array:
    """Return h, h' and h'' (3, P + 1, 2 R), places as `bench.imaging.sensitivity` has them."""
    reach = math.ceil(0.5 + CUT_SIGMAS * sigma_px)
    return _fill(sigma_px, math.ceil(PHASES_PER_SIGMA * max(1.0, 1.0 / sigma_px)), reach)


@kernel
def _fill(sigma: float, phases: int, reach: int) -> Array:
    tables = np.empty((3, phases + 1, 2 * reach))
    scale, peak = 1.0 / (np.sqrt(2.0) * sigma), 1.0 / (np.sqrt(2.0 * np.pi) * sigma)
    last, now = np.zeros(3), np.zeros(3)
    for p in range(phases + 1):
        for j in range(2 * reach + 1):
            edge = -reach + 0.5 - p / phases + j  # a pixel's left side, seen from the point
            density = peak * np.exp(-((scale * edge) ** 2))
            now[0], now[1] = 0.5 * math.erf(scale * edge), density
            now[2] = -edge / sigma**2 * density
            if j > 0:
                for order in range(3):
                    tables[order, p, j - 1] = now[order] - last[order]
            last[:] = now
    return tables


@kernel
def _splat(
    out: Array,
    places: IntArray,
    ends: Array,
    steps: Array,
    tables: Array,
    longest: float,
    nodes: Array,
    weights: Array,
) -> None:
    """Add each chord's share to `out` (N, 6)."""
    height, width = places.shape
    phases, taps = tables.shape[1] - 1, tables.shape[2]
    reach = taps // 2
    across, down = np.empty((3, taps)), np.empty((3, taps))
    for k in range(len(steps)):
        u0, v0 = ends[k, 0], ends[k, 1]
        du, dv = ends[k, 2] - u0, ends[k, 3] - v0
        first, last = within(u0, du, -reach, width - 1.0 + reach, 0.0, 1.0)
        first, last = within(v0, dv, -reach, height - 1.0 + reach, first, last)
        if first >= last:
            continue
        span = last - first
        pieces = int(np.ceil(span * np.hypot(du, dv) / longest))
        for piece in range(pieces):
            for q in range(len(nodes)):
                t = first + span * (piece + nodes[q]) / pieces
                u, v = u0 + t * du, v0 + t * dv
                column, row = int(np.floor(u)), int(np.floor(v))
                left, top = column - reach + 1, row - reach + 1
                weight = steps[k] * span * weights[q] / pieces
                along, beside = weight * dv, -weight * du
                fu, fv = (u - column) * phases, (v - row) * phases
                pu, pv = min(int(fu), phases - 1), min(int(fv), phases - 1)
                fu -= pu
                fv -= pv
                for order in range(3):
                    for j in range(taps):
                        a, b = tables[order, pu, j], tables[order, pv, j]
                        across[order, j] = a + fu * (tables[order, pu + 1, j] - a)
                        down[order, j] = b + fv * (tables[order, pv + 1, j] - b)
                for i in range(max(0, -top), min(taps, height - top)):
                    d0, d1, d2 = down[0, i], down[1, i], down[2, i]
                    for j in range(max(0, -left), min(taps, width - left)):
                        n = places[top + i, left + j]
                        if n < 0:
                            continue
                        a0, a1, a2 = across[0, j], across[1, j], across[2, j]
                        out[n, 0] += 0.5 * (along * a1 * d0 - beside * a0 * d1)
                        out[n, 1] += along * a0 * d1
                        out[n, 2] += along * a2 * d0
                        out[n, 3] += along * a1 * d1
                        out[n, 4] += along * a0 * d2
                        out[n, 5] += beside * a0 * d2
