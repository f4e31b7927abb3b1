"""Blur over the field and over range from the faces of many pictures, as a bay file has it.

The bench's lens is a Gaussian whose variance grows with the square of the distance from the
principal point (`bench.imaging.optics.field_variance`). Out of focus a blur circle of diameter c
adds c²/16 to the variance of either axis, and c is in proportion to |1/z - 1/focus|: so range
shows as a parabola in 1/z. All that is linear in the variances and is fitted by
weighted least squares.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from bench.characterise.faces import FaceFit
from bench.characterise.photon_transfer import Number
from bench.geometry.camera import Camera
from bench.imaging.optics import MAX_SIGMA_PX, MIN_SIGMA_PX, Optics
from bench.typing import Array

# One chance in a thousand that a range or a field is taken for one where there is none.
P_SHOWN = 1e-3
LEAST_FACES, RANGES_FOR_FOCUS = 4, 1.4  # the latter: longest over shortest
LEAST_SHARE = 0.02  # of a corner's square distance: places nearer together tell of no field


@dataclass(frozen=True, eq=False)
class BlurField:
    """What faces say of the lens.

    Attributes
    ----------
    sigma, field_sigma, optics : Number, Number, Optics
        Pixels, `field_sigma` at most something where none is shown; for the bench.
    scatter : float
        Birge ratio: by how much faces scatter more than they claim, 1 or more.
    p_range, focus_m : float
        Of the F test that blur depends on range; where it is least; NaN if not shown.
    radial, u_radial : float
        How much more variance boundaries along a radius have than those across, at the corner,
        px².
    variances, u_variances, shares : (F,) float64
        Of each face, px², and how far out it is: 1 at half the diagonal, squared.
    """

    sigma: Number
    field_sigma: Number
    optics: Optics
    scatter: float
    p_range: float
    focus_m: float
    radial: float
    u_radial: float
    variances: Array
    u_variances: Array
    shares: Array


def blur_field(faces: Sequence[FaceFit], camera: Camera) -> BlurField | None:
    """Return the blur over the field; None of too few faces."""
    if len(faces) < LEAST_FACES:
        return None
    variance = np.array([face.blur_px**2 for face in faces])
    u = np.array([2.0 * face.blur_px * face.u_blur_px for face in faces])
    share = np.array([share_of(face.place, camera) for face in faces])
    curve = 1.0 / np.array([float(face.pose.translation[2]) for face in faces])
    even = np.ones_like(share)
    found, covariance, cost = _weighted(np.stack((even, share), axis=1), variance, u)
    p_range, focus, free = math.nan, math.nan, len(faces) - 2
    scatter = math.sqrt(max(cost / free, 1.0))
    if np.ptp(1.0 / curve) > (RANGES_FOR_FOCUS - 1.0) / np.max(curve) and free > 3:
        rows = np.stack((even, share, curve, curve**2), axis=1)
        (*_, b, a), _, less = _weighted(rows, variance, u)
        ratio = (cost - less) / 2.0 / max(less / (free - 2), 1e-12)
        p_range = float(scipy.stats.f.sf(ratio, 2, free - 2))
        if p_range < P_SHOWN and a > 0.0 and b < 0.0:
            focus = float(-2.0 * a / b)
    grown, u_grown = float(found[1]), scatter * math.sqrt(covariance[1, 1])
    told = bool(np.ptp(share) > LEAST_SHARE)
    shown = told and grown > scipy.stats.norm.isf(P_SHOWN) * u_grown
    if shown:
        outer = Number(math.sqrt(grown), 0.5 * u_grown / math.sqrt(grown), "px")
    else:
        most = math.sqrt(max(grown, 0.0) + 1.645 * u_grown)
        outer = Number(most, math.nan, "px", at_most=True)
        if not told:
            outer = Number(0.0, math.nan, "px", "assumed: targets in one place don't tell")
        found, covariance, _ = _weighted(even[:, None], variance, u)
    centre = max(float(found[0]), MIN_SIGMA_PX**2)
    sigma = Number(math.sqrt(centre), 0.5 * scatter * math.sqrt(covariance[0, 0] / centre), "px")
    radial, u_radial = _radial(faces, camera, share)
    lens = Optics(min(sigma.value, MAX_SIGMA_PX), field_sigma_px=outer.value if shown else 0.0)
    return BlurField(
        sigma, outer, lens, scatter, p_range, focus, radial, u_radial, variance, u, share
    )  # fmt: skip


def share_of(place: tuple[float, float], camera: Camera) -> float:
    """Return how far out a pixel is, squared: 1 at half the diagonal."""
    square = (place[0] - camera.cx) ** 2 + (place[1] - camera.cy) ** 2
    return square / (0.25 * (camera.width**2 + camera.height**2))


def _weighted(rows: Array, values: Array, u: Array) -> tuple[Array, Array, float]:
    """Return weighted least squares' amounts, covariance and χ²."""
    scaled = rows / u[:, None]
    inverse: Array = np.asarray(np.linalg.pinv(scaled.T @ scaled))
    found = inverse @ scaled.T @ (values / u)
    return found, inverse, float(np.sum((values / u - scaled @ found) ** 2))


def _radial(faces: Sequence[FaceFit], camera: Camera, share: Array) -> tuple[float, float]:
    """Return the difference of the variances along and across the radius at the corner."""
    used = [k for k, face in enumerate(faces) if np.all(face.u_ellipse > 0.0)]
    if len(used) < LEAST_FACES:
        return math.nan, math.nan
    places = np.array([faces[k].place for k in used]) - [camera.cx, camera.cy]
    angle = 2.0 * np.arctan2(places[:, 1], places[:, 0])
    way = np.stack((np.cos(angle), np.sin(angle)), axis=1)
    # half the difference along the radius is a cos 2φ + b sin 2φ
    values = 2.0 * np.sum(way * [faces[k].ellipse for k in used], axis=1)
    errors = 2.0 * np.linalg.norm(way * [faces[k].u_ellipse for k in used], axis=1)
    found, covariance, cost = _weighted(share[used][:, None], values, errors)
    widened = max(cost / (len(used) - 1), 1.0)
    return float(found[0]), math.sqrt(widened * float(covariance[0, 0]))
