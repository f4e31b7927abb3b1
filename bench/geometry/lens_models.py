"""Radial parts of the lens models: Brown-Conrady, OpenCV's rational and fisheye.

With x, y the undistorted normalised coordinates and r2 = x² + y² every model has
x_d = x g(r2) + tangential terms, and

    Brown-Conrady  g = 1 + k1 r2 + k2 r2² + k3 r2³
    rational       g = (1 + k1 r2 + k2 r2² + k3 r2³) / (1 + k4 r2 + k5 r2² + k6 r2³)
    fisheye        g = θ/r (1 + k1 θ² + k2 θ⁴ + k3 θ⁶ + k4 θ⁸), θ = arctan r, nothing tangential

(OpenCV's calib3d, "Pinhole Camera Model" and "Fisheye camera model"; the latter is Kannala and
Brandt 2006, doi:10.1109/TPAMI.2006.153). Points lie before the camera, so a fisheye lens is known
here to `WIDEST` from its axis.
"""

from __future__ import annotations

import math

import numpy as np

from bench.typing import Array

BROWN, RATIONAL, FISHEYE = "brown-conrady", "rational", "fisheye"
# How many coefficients each has beyond k1, k2, p1, p2, k3: k4 to k6 and k4.
MORE = {BROWN: 0, RATIONAL: 3, FISHEYE: 1}
# Radians from the axis: beyond, a normalised coordinate (11 here) loses what double precision has.
WIDEST = math.radians(85.0)
# Below this r2 arctan(r)/r is taken from its series, whose next term is 1e-19.
SMALL_R2 = 0.01
SERIES = 9


def angle_ratio(r2: Array) -> tuple[Array, Array]:
    """Return arctan(r)/r and its derivative by r2."""
    safe = np.maximum(r2, SMALL_R2)
    r = np.sqrt(safe)
    ratio = np.arctan(r) / r
    slope = (1.0 / (1.0 + safe) - ratio) / (2.0 * safe)
    if np.all(r2 >= SMALL_R2):
        return ratio, slope
    n = np.arange(SERIES)
    terms = (-1.0) ** n / (2.0 * n + 1.0)
    small = np.minimum(r2, SMALL_R2)
    near = np.polynomial.polynomial.polyval(small, terms)
    near_slope = np.polynomial.polynomial.polyval(small, n[1:] * terms[1:])
    return np.where(r2 < SMALL_R2, near, ratio), np.where(r2 < SMALL_R2, near_slope, slope)


def radial(
    r2: Array, model: str, k: tuple[float, float, float], more: tuple[float, ...]
) -> tuple[Array, Array, Array]:
    """Return g, dg/dr2, and what a change of k1 multiplies x by, at r2 (...).

    What k2 and k3 multiply it by has another factor of r2 each, or of θ².
    """
    k1, k2, k3 = k
    if model == FISHEYE:
        ratio, ratio_slope = angle_ratio(r2)
        s = r2 * ratio * ratio
        s_slope = ratio / (1.0 + r2)
        powers = 1.0 + s * (k1 + s * (k2 + s * (k3 + s * more[0])))
        by_s = k1 + s * (2.0 * k2 + s * (3.0 * k3 + s * 4.0 * more[0]))
        return ratio * powers, ratio_slope * powers + ratio * by_s * s_slope, ratio * s
    above = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    above_slope = k1 + r2 * (2.0 * k2 + 3.0 * k3 * r2)
    if model == BROWN:
        return above, above_slope, r2
    k4, k5, k6 = more
    below = 1.0 + r2 * (k4 + r2 * (k5 + r2 * k6))
    below_slope = k4 + r2 * (2.0 * k5 + 3.0 * k6 * r2)
    g = above / below
    return g, (above_slope - g * below_slope) / below, r2 / below


def term_ratio(r2: Array, model: str) -> Array:
    """Return by what k2's term exceeds k1's, and k3's k2's."""
    return np.asarray(np.arctan(np.sqrt(r2)) ** 2 if model == FISHEYE else r2)


def domain_radius(model: str, k: tuple[float, float, float], more: tuple[float, ...]) -> float:
    """Return the normalised radius up to which r g(r²) grows; infinite if always.

    Beyond it the picture runs back, so that a point far outside the field of view would appear as
    a ghost inside it.
    """
    k1, k2, k3 = k
    if model == FISHEYE:
        # d(θ_d)/dθ by θ²
        slope = [1.0, 3.0 * k1, 5.0 * k2, 7.0 * k3, 9.0 * more[0]]
        return math.tan(min(_least_root(slope), WIDEST))
    if model == BROWN:
        return _least_root([1.0, 3.0 * k1, 5.0 * k2, 7.0 * k3])
    above, below = np.array([1.0, k1, k2, k3]), np.array([1.0, *more])
    n = np.arange(4)
    # the sign of d(r N/M)/dr is that of (N + 2 r2 N') M - 2 r2 N M'
    slope_of = np.convolve(above * (1 + 2 * n), below) - np.convolve(above, 2 * n * below)
    return min(_least_root(slope_of.tolist()), _least_root(below.tolist()))


def _least_root(coefficients: list[float]) -> float:
    """Return r at the least positive root in r² of a polynomial, 1 at 0, lowest power first.

    Infinite without one. Found in 1 / r², so that vanishing coefficients do no harm.
    """
    roots = np.roots(coefficients)
    turning = roots.real[(roots.imag == 0.0) & (roots.real > 0.0)]
    return float(1.0 / np.sqrt(turning.max())) if len(turning) else math.inf
