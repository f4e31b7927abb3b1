"""Derivatives of the blurred picture by pose and blur, taken on the boundaries.

A picture of constant areas changes only where its boundaries move. With h(u) h(v) the pixel's
box convolved with the Gaussian, H its integral and a boundary point (u', v') that moves by
(δu, δv), integrating δ ∮ H(u-u') h(v-v') dv' by parts leaves a local term (the transport
theorem of Reynolds)::

    δ picture(u, v) = - s ∮ h(u-u') h(v-v') (δu dv' - δv du')

and since a Gaussian obeys the heat equation, ∂h/∂σ = σ h''::

    ∂ picture/∂σ = s σ ∮ [h'(u-u') h(v-v') dv' - h(u-u') h'(v-v') du']

Both touch only the few pixels within reach of a boundary.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from bench.geometry.camera import Camera, normalise
from bench.geometry.lens_kernel import wide_radial
from bench.geometry.pose import Pose
from bench.imaging.chords import Chords
from bench.imaging.picture import Region
from bench.kernel import kernel
from bench.typing import Array, IntArray

# Rotation about the target's x, y, z; translation along the camera's x, y, z; blur.
CHANNELS = 7
# Derivatives steer a fit and make up covariances: 1e-3 of the largest is plenty, so that pieces
# of chords are longer and kernels shorter than for pictures: Gauss-Legendre points on a piece,
# its length and the kernels' reach beyond half a pixel, in σ. g(3.5) is 2e-3 of g(0).
NODES = 3
PIECE_SIGMAS = 2.5
CUT_SIGMAS = 3.5
# Shares of a piece up to which one point or two do, as a circle's short chords are: where a chain
# of them ends they leave L²/24 and L⁴/4320 of the integrand's first and third derivative, at 0.3
# and 1 σ 1e-3 and 1e-4 of the largest.
ONE_POINT, TWO_POINTS = 0.12, 0.4
# Offsets in a pixel at which kernels are tabulated, to a σ: linear interpolation between them
# errs by h''/8 of the spacing squared, 1e-4 of the largest of h' even.
PHASES_PER_SIGMA = 48


def blurred_sensitivity(
    chords: Chords,
    T_camera_target: Pose,
    camera: Camera,
    sigma_px: float,
    region: Region,
    places: IntArray | None = None,
) -> Array:
    """Return the derivatives of `bench.imaging.gaussian.blurred_image`.

    Parameters
    ----------
    chords : Chords
        Boundaries at this pose.
    T_camera_target : Pose
        The pose they were projected with.
    camera : Camera
        Intrinsics.
    sigma_px : float
        Blur, pixels, positive.
    region : Region
        Which pixels.
    places : (H, W) int64, optional
        The row of the answer that each pixel goes to, -1 for none; by default all, row by row.

    Returns
    -------
    (N, 7) float64
        Of reflectance, by ω (radians, about the target's axes), τ (metres, camera frame), see
        `bench.geometry.camera.pose_jacobian`, and by `sigma_px`.
    """
    if places is None:
        count = region.height * region.width
        places = np.arange(count, dtype=np.int64).reshape(region.height, region.width)
    else:
        count = int(places.max(initial=-1)) + 1
    # Along a chord the undistorted point runs straight: exactly without distortion, within the
    # chord's deviation with it.
    rays = chords.rays
    if rays is None:
        rays = normalise(chords.ends.reshape(-1, 2), camera).reshape(-1, 4)
    out = np.zeros((count, CHANNELS))
    _splat_derivatives(
        out,
        places,
        chords.ends - np.array([region.u0, region.v0] * 2, dtype=np.float64),
        chords.steps,
        rays,
        T_camera_target.rotation,
        T_camera_target.translation,
        np.array(chords.relief if any(chords.relief) else ()),
        camera.lens,
        *kernel_tables(sigma_px),
        sigma_px,
        PIECE_SIGMAS * sigma_px,
        *QUADRATURES,
    )
    return out


def _quadratures() -> tuple[Array, Array]:
    """Return nodes and weights on 0 to 1; row n - 1 holds the rule of n points."""
    nodes, weights = np.zeros((NODES, NODES)), np.zeros((NODES, NODES))
    for n in range(1, NODES + 1):
        x, w = np.polynomial.legendre.leggauss(n)
        nodes[n - 1, :n], weights[n - 1, :n] = 0.5 * (x + 1.0), 0.5 * w
    return nodes, weights


QUADRATURES = _quadratures()
QUADRATURE = (QUADRATURES[0][-1], QUADRATURES[1][-1])


@lru_cache(maxsize=64)
def kernel_tables(sigma_px: float) -> tuple[Array, Array]:
    """Return h and h' (P + 1, 2 R) at the pixels near a point, for each phase.

    Row p, column j: for a point at offset p / P beyond a pixel's centre, the value at the pixel
    j - R + 1 further on.
    """
    reach = math.ceil(0.5 + CUT_SIGMAS * sigma_px)
    return _tables(sigma_px, math.ceil(PHASES_PER_SIGMA * max(1.0, 1.0 / sigma_px)), reach)


@kernel
def _tables(sigma: float, phases: int, reach: int) -> tuple[Array, Array]:
    h, slopes = np.empty((phases + 1, 2 * reach)), np.empty((phases + 1, 2 * reach))
    scale, peak = 1.0 / (np.sqrt(2.0) * sigma), 1.0 / (np.sqrt(2.0 * np.pi) * sigma)
    for p in range(phases + 1):
        edge = -reach + 0.5 - p / phases  # a pixel's left side, seen from the point
        left, left_density = 0.5 * math.erf(scale * edge), peak * np.exp(-((scale * edge) ** 2))
        for j in range(2 * reach):
            edge += 1.0
            right = 0.5 * math.erf(scale * edge)
            density = peak * np.exp(-((scale * edge) ** 2))
            h[p, j], slopes[p, j] = right - left, density - left_density
            left, left_density = right, density
    return h, slopes


@kernel
def _depth(x: float, y: float, rotation: Array, translation: Array, relief: Array) -> float:
    """Return the depth of a bent face along (x, y, 1): the root that tends to the plane's."""
    nx, ny, nz = rotation[0, 2], rotation[1, 2], rotation[2, 2]
    over = nx * translation[0] + ny * translation[1] + nz * translation[2]
    along = nx * x + ny * y + nz
    a, b, c = relief[0], relief[1], relief[2]
    # in the target's frame the line of sight is depth · way - eye
    wx = rotation[0, 0] * x + rotation[1, 0] * y + rotation[2, 0]
    wy = rotation[0, 1] * x + rotation[1, 1] * y + rotation[2, 1]
    ex = rotation[0, 0] * translation[0] + rotation[1, 0] * translation[1]
    ex += rotation[2, 0] * translation[2]
    ey = rotation[0, 1] * translation[0] + rotation[1, 1] * translation[1]
    ey += rotation[2, 1] * translation[2]
    second = a * wx * wx + b * wy * wy + c * wx * wy
    first = -along - 2.0 * (a * wx * ex + b * wy * ey) - c * (wx * ey + wy * ex)
    none = over + a * ex * ex + b * ey * ey + c * ex * ey
    # a chord may leave its curve, and a face at grazing sight, by a hair
    root = np.sqrt(max(first * first - 4.0 * second * none, 0.0))
    return float(-2.0 * none / (first + root))


@kernel
def _velocities(
    x: float, y: float, rotation: Array, translation: Array, relief: Array, lens: Array, out: Array
) -> None:
    """Fill `out` (2, 6) with the pixel velocities of the target point seen along (x, y, 1).

    `relief` is empty where the plate is flat.
    """
    if len(relief) > 0:
        depth = _depth(x, y, rotation, translation, relief)
    else:
        nx, ny, nz = rotation[0, 2], rotation[1, 2], rotation[2, 2]
        depth = (nx * translation[0] + ny * translation[1] + nz * translation[2]) / (
            nx * x + ny * y + nz
        )
    # the point in the target's frame
    dx, dy, dz = depth * x - translation[0], depth * y - translation[1], depth - translation[2]
    qx = rotation[0, 0] * dx + rotation[1, 0] * dy + rotation[2, 0] * dz
    qy = rotation[0, 1] * dx + rotation[1, 1] * dy + rotation[2, 1] * dz
    qz = 0.0
    if len(relief) > 0:
        qz = relief[0] * qx * qx + relief[1] * qy * qy + relief[2] * qx * qy
    k1, k2, p1, p2, k3 = lens[4], lens[5], lens[6], lens[7], lens[8]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * k3 * r2))
    if lens[9] > 0.0:
        radial, slope, _ = wide_radial(r2, k1, k2, k3, lens[9], lens[10], lens[11], lens[12])
        slope *= 2.0
    lxx = lens[0] * (radial + slope * x * x + 2.0 * p1 * y + 6.0 * p2 * x)
    lxy = slope * x * y + 2.0 * p1 * x + 2.0 * p2 * y
    lyy = lens[1] * (radial + slope * y * y + 6.0 * p1 * y + 2.0 * p2 * x)
    for k in range(6):
        if k < 3:
            # e_k x q in the target's frame
            if k == 0:
                cx, cy, cz = 0.0, -qz, qy
            elif k == 1:
                cx, cy, cz = qz, 0.0, -qx
            else:
                cx, cy, cz = -qy, qx, 0.0
            px = rotation[0, 0] * cx + rotation[0, 1] * cy + rotation[0, 2] * cz
            py = rotation[1, 0] * cx + rotation[1, 1] * cy + rotation[1, 2] * cz
            pz = rotation[2, 0] * cx + rotation[2, 1] * cy + rotation[2, 2] * cz
        else:
            px = 1.0 if k == 3 else 0.0
            py = 1.0 if k == 4 else 0.0
            pz = 1.0 if k == 5 else 0.0
        vx, vy = (px - x * pz) / depth, (py - y * pz) / depth
        out[0, k] = lxx * vx + lens[0] * lxy * vy
        out[1, k] = lens[1] * lxy * vx + lyy * vy


@kernel
def _splat_derivatives(
    out: Array,
    places: IntArray,
    ends: Array,
    steps: Array,
    rays: Array,
    rotation: Array,
    translation: Array,
    relief: Array,
    lens: Array,
    h: Array,
    slopes: Array,
    sigma: float,
    longest: float,
    nodes: Array,
    weights: Array,
) -> None:
    """Add each chord's share to `out` (N, 7)."""
    height, width = places.shape
    phases, taps = h.shape[0] - 1, h.shape[1]
    reach = taps // 2
    hu, hv = np.empty(taps), np.empty(taps)
    su, sv = np.empty(taps), np.empty(taps)
    velocity = np.empty((2, 6))
    amount = np.empty(6)
    for k in range(len(steps)):
        u0, v0, u1, v1 = ends[k, 0], ends[k, 1], ends[k, 2], ends[k, 3]
        du, dv = u1 - u0, v1 - v0
        first, last = within(u0, du, -reach, width - 1.0 + reach, 0.0, 1.0)
        first, last = within(v0, dv, -reach, height - 1.0 + reach, first, last)
        if first >= last:
            continue
        span = last - first
        needed = span * np.hypot(du, dv) / longest
        pieces = int(np.ceil(needed))
        points = 1 if needed < ONE_POINT else 2 if needed < TWO_POINTS else NODES
        for piece in range(pieces):
            for q in range(points):
                t = first + span * (piece + nodes[points - 1, q]) / pieces
                u, v = u0 + t * du, v0 + t * dv
                column, row = int(np.floor(u)), int(np.floor(v))
                left, top = column - reach + 1, row - reach + 1
                x = rays[k, 0] + t * (rays[k, 2] - rays[k, 0])
                y = rays[k, 1] + t * (rays[k, 3] - rays[k, 1])
                _velocities(x, y, rotation, translation, relief, lens, velocity)
                weight = steps[k] * span * weights[points - 1, q] / pieces
                for c in range(6):
                    amount[c] = -weight * (velocity[0, c] * dv - velocity[1, c] * du)
                fu, fv = (u - column) * phases, (v - row) * phases
                pu, pv = min(int(fu), phases - 1), min(int(fv), phases - 1)
                fu -= pu
                fv -= pv
                for j in range(taps):
                    hu[j] = h[pu, j] + fu * (h[pu + 1, j] - h[pu, j])
                    hv[j] = h[pv, j] + fv * (h[pv + 1, j] - h[pv, j])
                    su[j] = slopes[pu, j] + fu * (slopes[pu + 1, j] - slopes[pu, j])
                    sv[j] = slopes[pv, j] + fv * (slopes[pv + 1, j] - slopes[pv, j])
                along_u, along_v = weight * sigma * dv, weight * sigma * du
                a0, a1, a2 = amount[0], amount[1], amount[2]
                a3, a4, a5 = amount[3], amount[4], amount[5]
                for i in range(max(0, -top), min(taps, height - top)):
                    h_v = hv[i]
                    steep, level = along_u * h_v, along_v * sv[i]
                    for j in range(max(0, -left), min(taps, width - left)):
                        n = places[top + i, left + j]
                        if n < 0:
                            continue
                        both = hu[j] * h_v
                        out[n, 0] += a0 * both  # written out: a third faster than a loop
                        out[n, 1] += a1 * both
                        out[n, 2] += a2 * both
                        out[n, 3] += a3 * both
                        out[n, 4] += a4 * both
                        out[n, 5] += a5 * both
                        out[n, 6] += steep * su[j] - level * hu[j]


@kernel
def within(
    start: float, way: float, low: float, high: float, first: float, last: float
) -> tuple[float, float]:
    """Return where low <= start + t way <= high within first to last; last < first is empty."""
    if way == 0.0:
        return (first, last) if low <= start <= high else (1.0, 0.0)
    a, b = (low - start) / way, (high - start) / way
    return max(first, min(a, b)), min(last, max(a, b))
