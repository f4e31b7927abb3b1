"""How the blurred picture changes with the pose and the blur: derivatives on the boundaries.

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

from functools import lru_cache

import numpy as np

from bench.geometry.camera import Camera, normalise
from bench.geometry.pose import Pose
from bench.imaging.chords import Chords
from bench.imaging.gaussian import NODES, PHASES, kernel_tables
from bench.imaging.kernel import kernel
from bench.imaging.picture import Region
from bench.typing import Array

# Rotation about the target's x, y, z; translation along the camera's x, y, z; blur.
CHANNELS = 7
# The longest piece of a chord with `NODES` points, in σ. Derivatives steer a fit and make up
# covariances: 1e-3 of their largest is plenty, so that pieces are longer than for pictures.
PIECE_SIGMAS = 2.5


def blurred_sensitivity(
    chords: Chords, T_camera_target: Pose, camera: Camera, sigma_px: float, region: Region
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

    Returns
    -------
    (7, H, W) float64
        Of reflectance, by ω (radians, about the target's axes), τ (metres, camera frame), see
        `bench.geometry.camera.pose_jacobian`, and by `sigma_px`.
    """
    # Along a chord the undistorted point runs straight: exactly without distortion, within the
    # chord's deviation with it.
    rays = normalise(chords.ends.reshape(-1, 2), camera).reshape(-1, 4)
    lens = np.array([camera.fx, camera.fy, *camera.distortion])
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    h, _ = kernel_tables(sigma_px)
    out = np.zeros((CHANNELS, region.height, region.width))
    _splat_derivatives(
        out,
        chords.ends - np.array([region.u0, region.v0] * 2, dtype=np.float64),
        chords.steps,
        rays,
        T_camera_target.rotation,
        T_camera_target.translation,
        lens,
        h,
        _slope_table(sigma_px),
        sigma_px,
        PIECE_SIGMAS * sigma_px,
        0.5 * (nodes + 1.0),
        0.5 * weights,
    )
    return out


@lru_cache(maxsize=64)
def _slope_table(sigma_px: float) -> Array:
    """Return h' at the pixels near a point, laid out as `kernel_tables` lays out h."""
    taps = kernel_tables(sigma_px)[0].shape[1]
    reach = taps // 2
    centre = np.arange(-reach + 1, reach + 1) - np.linspace(0.0, 1.0, PHASES + 1)[:, None]

    def density(x: Array) -> Array:
        z = x / sigma_px
        return np.asarray(np.exp(-0.5 * z * z) / (np.sqrt(2.0 * np.pi) * sigma_px))

    return density(centre + 0.5) - density(centre - 0.5)


@kernel
def _velocities(
    x: float, y: float, rotation: Array, translation: Array, lens: Array, out: Array
) -> None:
    """Fill `out` (2, 6) with the pixel velocities of the target point seen along (x, y, 1)."""
    nx, ny, nz = rotation[0, 2], rotation[1, 2], rotation[2, 2]
    depth = (nx * translation[0] + ny * translation[1] + nz * translation[2]) / (
        nx * x + ny * y + nz
    )
    # the point in the target's frame
    dx, dy, dz = depth * x - translation[0], depth * y - translation[1], depth - translation[2]
    qx = rotation[0, 0] * dx + rotation[1, 0] * dy + rotation[2, 0] * dz
    qy = rotation[0, 1] * dx + rotation[1, 1] * dy + rotation[2, 1] * dz
    k1, k2, p1, p2, k3 = lens[2], lens[3], lens[4], lens[5], lens[6]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * k3 * r2))
    lxx = lens[0] * (radial + slope * x * x + 2.0 * p1 * y + 6.0 * p2 * x)
    lxy = slope * x * y + 2.0 * p1 * x + 2.0 * p2 * y
    lyy = lens[1] * (radial + slope * y * y + 6.0 * p1 * y + 2.0 * p2 * x)
    for k in range(6):
        if k < 3:
            # e_k x q in the target's frame, with q = (qx, qy, 0)
            if k == 0:
                cx, cy, cz = 0.0, 0.0, qy
            elif k == 1:
                cx, cy, cz = 0.0, 0.0, -qx
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
    ends: Array,
    steps: Array,
    rays: Array,
    rotation: Array,
    translation: Array,
    lens: Array,
    h: Array,
    slopes: Array,
    sigma: float,
    longest: float,
    nodes: Array,
    weights: Array,
) -> None:
    """Add each chord's share to `out` (7, H, W)."""
    _, height, width = out.shape
    phases, taps = h.shape[0] - 1, h.shape[1]
    reach = taps // 2
    hu, hv = np.empty(taps), np.empty(taps)
    su, sv = np.empty(taps), np.empty(taps)
    velocity = np.empty((2, 6))
    amount = np.empty(6)
    for k in range(len(steps)):
        u0, v0, u1, v1 = ends[k, 0], ends[k, 1], ends[k, 2], ends[k, 3]
        if min(u0, u1) >= width + reach or max(u0, u1) <= -reach - 1:
            continue
        if min(v0, v1) >= height + reach or max(v0, v1) <= -reach - 1:
            continue
        du, dv = u1 - u0, v1 - v0
        pieces = max(1, int(np.ceil(np.hypot(du, dv) / longest)))
        for piece in range(pieces):
            for q in range(len(nodes)):
                t = (piece + nodes[q]) / pieces
                u, v = u0 + t * du, v0 + t * dv
                column, row = int(np.floor(u)), int(np.floor(v))
                left, top = column - reach + 1, row - reach + 1
                if left >= width or left + taps <= 0 or top >= height or top + taps <= 0:
                    continue
                x = rays[k, 0] + t * (rays[k, 2] - rays[k, 0])
                y = rays[k, 1] + t * (rays[k, 3] - rays[k, 1])
                _velocities(x, y, rotation, translation, lens, velocity)
                weight = steps[k] * weights[q] / pieces
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
                    r, h_v = top + i, hv[i]
                    steep, level = along_u * h_v, along_v * sv[i]
                    for j in range(max(0, -left), min(taps, width - left)):
                        c, both = left + j, hu[j] * h_v
                        out[0, r, c] += a0 * both  # written out: a third faster than a loop
                        out[1, r, c] += a1 * both
                        out[2, r, c] += a2 * both
                        out[3, r, c] += a3 * both
                        out[4, r, c] += a4 * both
                        out[5, r, c] += a5 * both
                        out[6, r, c] += steep * su[j] - level * hu[j]
