"""The wide lens models' radial part, compiled, and how strongly it bends lines.

`bench.geometry.lens_models` has the formulas. Kernels of other files call these two, which numba's
disk cache doesn't notice: after a change here those files must change too, or caches go.
"""

from __future__ import annotations

import numpy as np

from bench.geometry.lens_models import FISHEYE, RATIONAL, SERIES, SMALL_R2
from bench.kernel import kernel
from bench.typing import Array

KINDS = {RATIONAL: 1.0, FISHEYE: 2.0}
# Where the derivatives are looked at within a radius, and what is added for what lies between.
SAMPLES, RESERVE = 48, 1.2


def wide_numbers(model: str, more: tuple[float, ...]) -> tuple[float, float, float, float]:
    """Return the kind (0 is Brown-Conrady) and the coefficients beyond k3."""
    k4, k5, k6 = (*more, 0.0, 0.0, 0.0)[:3]
    return KINDS.get(model, 0.0), float(k4), float(k5), float(k6)


@kernel
def wide_radial(
    q: float,
    k1: float,
    k2: float,
    k3: float,
    kind: float,
    k4: float,
    k5: float,
    k6: float,
) -> tuple[float, float, float]:
    """Return g and its first and second derivative by q = r2."""
    if kind == 1.0:
        above = 1.0 + q * (k1 + q * (k2 + q * k3))
        above1, above2 = k1 + q * (2.0 * k2 + 3.0 * k3 * q), 2.0 * k2 + 6.0 * k3 * q
        below = 1.0 + q * (k4 + q * (k5 + q * k6))
        below1, below2 = k4 + q * (2.0 * k5 + 3.0 * k6 * q), 2.0 * k5 + 6.0 * k6 * q
        g = above / below
        g1 = (above1 - g * below1) / below
        return g, g1, (above2 - 2.0 * g1 * below1 - g * below2) / below
    if q < SMALL_R2:
        ratio = ratio1 = ratio2 = 0.0
        for n in range(SERIES - 1, -1, -1):
            term = (1.0 - 2.0 * (n % 2)) / (2.0 * n + 1.0)
            ratio = ratio * q + term
            if n >= 1:
                ratio1 = ratio1 * q + n * term
            if n >= 2:
                ratio2 = ratio2 * q + n * (n - 1) * term
        b = 1.0 / (1.0 + q)
    else:
        r = np.sqrt(q)
        ratio, b = np.arctan(r) / r, 1.0 / (1.0 + q)
        ratio1 = (b - ratio) / (2.0 * q)
        ratio2 = (-b * b - 3.0 * ratio1) / (2.0 * q)
    s, s1 = q * ratio * ratio, ratio * b
    s2 = ratio1 * b - ratio * b * b
    p = 1.0 + s * (k1 + s * (k2 + s * (k3 + s * k4)))
    p1 = k1 + s * (2.0 * k2 + s * (3.0 * k3 + s * 4.0 * k4))
    p2 = 2.0 * k2 + s * (6.0 * k3 + s * 12.0 * k4)
    g1 = ratio1 * p + ratio * p1 * s1
    g2 = ratio2 * p + 2.0 * ratio1 * p1 * s1 + ratio * (p2 * s1 * s1 + p1 * s2)
    return ratio * p, g1, g2


@kernel
def wide_bend(radius: float, lens: Array) -> tuple[float, float]:
    """Return bounds of a wide lens's first and second derivative within a radius.

    As `bench.imaging.chords._bend`, by looking: |g| + 2 r²|g'| and 6 r|g'| + 4 r³|g''|, largest of
    `SAMPLES` radii, and `RESERVE`.
    """
    first = second = 0.0
    for i in range(SAMPLES):
        r = radius * (i + 1.0) / SAMPLES
        q = r * r
        g, g1, g2 = wide_radial(
            q, lens[4], lens[5], lens[8], lens[9], lens[10], lens[11], lens[12]
        )
        g, g1, g2 = abs(g), abs(g1), abs(g2)
        first = max(first, g + 2.0 * q * g1)
        second = max(second, 6.0 * r * g1 + 4.0 * r * q * g2)
    tangential = 8.0 * (abs(lens[6]) + abs(lens[7]))
    return RESERVE * first + tangential * radius, RESERVE * second + tangential
