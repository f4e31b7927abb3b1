"""Projections of many targets into a camera at many places at once, as arrays.

All of siting stands on this: thousands of layouts are tried, each with every wheel. Leading
axes are L layouts and N targets. Nothing is refused; a target behind a camera gets numbers that
lead back before it, and `imaged` says that they aren't real.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.geometry.camera import Camera, distort, distortion_jacobian, rotation_columns
from bench.sighting.own_errors import OwnCauses, own_uncertainties
from bench.solve.response import target_points
from bench.targets.target import Target
from bench.typing import Array, BoolArray

# Nearer to the camera's plane than that, or behind it, points are moved to it, metres.
LEAST_DEPTH = 0.05
# Of the lens's domain, where the model is one-to-one: what lies further out goes on straight.
DOMAIN = 0.98


@dataclass(frozen=True, eq=False)
class Projections:
    """What a camera sees, from L places, of N targets.

    Attributes
    ----------
    outline_px : (L, N, 4, 2) float64
        Corners of the plate.
    imaged : (L, N) bool
        Whether all of the plate has an image, in the picture or beyond its edge.
    range : (L, N) float64
        Camera centre to target centre, metres.
    depth : (L, N) float64
        The same along the optical axis.
    tilt : (L, N) float64
        Radians.
    width_px : (L, N) float64
        Of the plate face-on at this range.
    toe, camber : (L, N) float64
        Standard uncertainty of the target's rotation about the bay's vertical and about its x,
        radians, from corners with a noise of 1 px.
    along, across : (L, N) float64
        Of its place along the line of sight, and in the worst direction across it, metres; NaN
        where they weren't asked for.
    own : tuple of four (L, N) float64 or None
        Of toe, camber, along and across by what the bay is off by, to first order, without what
        is common to the camera's targets; None where that wasn't asked for.
    """

    outline_px: Array
    imaged: BoolArray
    range: Array
    depth: Array
    tilt: Array
    width_px: Array
    toe: Array
    camber: Array
    along: Array
    across: Array
    own: tuple[Array, Array, Array, Array] | None = None

    def edges_px(self, camera: Camera) -> Array:
        """Return the room (L, N, 4) to the picture's left, right, upper and lower edge, px."""
        low = np.min(self.outline_px, axis=-2)
        high = np.max(self.outline_px, axis=-2)
        return np.stack(
            (
                low[..., 0] + 0.5,
                camera.width - 0.5 - high[..., 0],
                low[..., 1] + 0.5,
                camera.height - 0.5 - high[..., 1],
            ),
            axis=-1,
        )


def corner_points(target: Target) -> Array:
    """Return the points (M, 2) that a detector finds: inner corners or circles, else markers'."""
    return np.asarray(target_points(target)[:, :2])


def project_plates(
    camera: Camera,
    T_bay_camera: tuple[Array, Array],
    T_bay_target: tuple[Array, Array],
    outline: Array,
    points: Array,
    causes: OwnCauses | None = None,
    turns_only: bool = False,
) -> Projections:
    """Return what a camera sees.

    Parameters
    ----------
    camera : Camera
        Intrinsics.
    T_bay_camera : (L, 3, 3) and (L, 3) float64
        Rotations and translations, one a layout.
    T_bay_target : (L, N, 3, 3) and (L, N, 3) float64
        The same of the targets; a leading axis may be 1.
    outline, points : (4, 2) and (M, 2) float64
        The plate's corners, and the points whose noise counts, on the target's face, metres.
    causes : OwnCauses, optional
        Of what the bay is off by. The N targets are then to be all that the camera sees.
    turns_only : bool
        Leave out `along` and `across`, a fifth of the time.
    """
    R_bay_camera, t_bay_camera = T_bay_camera
    R_bay_target, t_bay_target = T_bay_target
    R_camera_bay = np.swapaxes(R_bay_camera, -1, -2)[:, None]
    R = R_camera_bay @ R_bay_target
    t = (R_camera_bay @ (t_bay_target - t_bay_camera[:, None])[..., None])[..., 0]
    corners = R[..., :2] @ outline.T + t[..., None]  # (L, N, 3, 4)
    depth = np.maximum(corners[..., 2, :], LEAST_DEPTH)
    xy = np.moveaxis(corners[..., :2, :], -2, -1) / depth[..., None]
    radius = np.linalg.norm(xy, axis=-1)
    imaged = np.all(corners[..., 2, :] > 0.0, axis=-1)
    imaged &= np.all(radius < camera.domain_radius, axis=-1)
    range_ = np.linalg.norm(t, axis=-1)
    sight = t / range_[..., None]
    normal = R[..., :, 2]
    cosine = -np.sum(normal * sight, axis=-1)
    sine = np.linalg.norm(np.cross(normal, sight), axis=-1)
    width = float(np.ptp(outline[:, 0]))
    noise, own = _uncertainties(camera, R, t, sight, R_bay_target, points, causes, turns_only)
    toe, camber, along, across = noise
    return Projections(
        outline_px=_straight_beyond(xy, radius, camera) * (camera.fx, camera.fy)
        + (camera.cx, camera.cy),
        imaged=imaged,
        range=range_,
        depth=t[..., 2],
        tilt=np.arctan2(sine, cosine),
        width_px=camera.fx * width / range_,
        toe=toe,
        camber=camber,
        along=along,
        across=across,
        own=own,
    )


def _straight_beyond(xy: Array, radius: Array, camera: Camera) -> Array:
    """Return distorted coordinates; beyond the lens's domain they grow on as without lens."""
    if not camera.has_distortion:
        return xy
    limit = DOMAIN * camera.domain_radius
    inside = xy * np.minimum(1.0, limit / np.maximum(radius, 1e-12))[..., None]
    return distort(inside, camera) + (xy - inside)


_Four = tuple[Array, Array, Array, Array]


def _uncertainties(
    camera: Camera,
    R: Array,
    t: Array,
    sight: Array,
    R_bay_target: Array,
    points: Array,
    causes: OwnCauses | None,
    turns_only: bool,
) -> tuple[_Four, _Four | None]:
    """Return toe, camber, along and across of `Projections`, for a noise of 1 px, and `own`.

    The Jacobian of `bench.geometry.camera.pose_jacobian`, for all poses at once; inverted by
    its normal equations, whose condition (1e10 for a marker of 10 px face-on) leaves six digits.
    """
    p = R[..., :2] @ points.T + t[..., None]  # (L, N, 3, M)
    z = np.maximum(p[..., 2, :], LEAST_DEPTH)
    x, y = p[..., 0, :] / z, p[..., 1, :] / z
    by_point = np.zeros((*x.shape, 2, 3))
    by_point[..., 0, 0] = by_point[..., 1, 1] = 1.0 / z
    by_point[..., 0, 2], by_point[..., 1, 2] = -x / z, -y / z
    if camera.has_distortion:
        by_point = distortion_jacobian(np.stack((x, y), axis=-1), camera) @ by_point
    by_point *= np.array([camera.fx, camera.fy])[:, None]
    a = by_point @ R[..., None, :, :]
    p_target = np.column_stack((points, np.zeros(len(points))))
    J = np.concatenate((rotation_columns(p_target, a), by_point), axis=-1)
    J = J.reshape(*J.shape[:-3], -1, 6)
    scale = np.linalg.norm(J, axis=-2)
    scale = np.where(scale > 0.0, scale, 1.0)
    J = J / scale[..., None, :]
    information = np.swapaxes(J, -1, -2) @ J
    covariance = np.linalg.inv(information + 1e-15 * np.eye(6))
    covariance = covariance / (scale[..., :, None] * scale[..., None, :])
    turns = R_bay_target @ covariance[..., :3, :3] @ np.swapaxes(R_bay_target, -1, -2)
    toe, camber = turns[..., 2, 2], turns[..., 0, 0]
    if turns_only:
        along = across = np.full(toe.shape, np.nan)
    else:
        places = covariance[..., 3:, 3:]
        along = (sight[..., None, :] @ places @ sight[..., None])[..., 0, 0]
        aside = np.eye(3) - sight[..., :, None] * sight[..., None, :]
        across = np.linalg.eigvalsh(aside @ places @ aside)[..., -1]
    found = [np.sqrt(np.maximum(v, 0.0)) for v in (toe, camber, along, across)]
    noise = (found[0], found[1], found[2], found[3])
    if causes is None:
        return noise, None
    # nearer points, and those behind the camera, are moved before it as above
    p_camera = np.stack((x * z, y * z, z), axis=-1)
    shift = causes.shift(p_camera, a, camera)
    shift = shift.reshape(*shift.shape[:-3], -1, shift.shape[-1])
    answer = covariance @ (np.swapaxes(J, -1, -2) @ shift * scale[..., :, None])
    kinds = causes.modes.shape[1]
    R_bay = np.broadcast_to(R_bay_target, (*answer.shape[:-2], 3, 3))
    return noise, own_uncertainties(answer, kinds, R_bay, None if turns_only else sight)
