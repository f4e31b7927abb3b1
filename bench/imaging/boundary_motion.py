"""Derivatives of the blurred picture by any motion of a target's points.

As `bench.imaging.sensitivity`, by the transport theorem, with any motion of the boundaries in
place of the pose's: an error of the camera, of a print, of a plate's shape. So what the budget
knows of points (`bench.solve.response`) holds for pictures too::

    def motion(p_target):  # (M, 3) -> (M, 2, K)
        return face_shift(p_target, T_camera_target, camera, target).reshape(-1, 2, 5)

    by_face = moved_sensitivity(chords, T_camera_target, camera, 0.6, region, motion)
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from bench.geometry.camera import Camera, normalise
from bench.geometry.pose import Pose
from bench.imaging.chords import Chords
from bench.imaging.picture import Region
from bench.imaging.sensitivity import (
    NODES,
    ONE_POINT,
    PIECE_SIGMAS,
    QUADRATURES,
    TWO_POINTS,
    kernel_tables,
    within,
)
from bench.kernel import kernel
from bench.typing import Array, IntArray


def moved_sensitivity(
    chords: Chords,
    T_camera_target: Pose,
    camera: Camera,
    sigma_px: float,
    region: Region,
    motion: Callable[[Array], Array],
    places: IntArray | None = None,
) -> Array:
    """Return the derivatives of `bench.imaging.gaussian.blurred_image` by K causes.

    Parameters
    ----------
    chords : Chords
        Boundaries at this pose.
    T_camera_target : Pose
        The pose they were projected with.
    camera : Camera
        The camera they were projected with.
    sigma_px : float
        Blur, pixels, positive.
    region : Region
        Which pixels.
    motion : callable
        Takes points (M, 3) of the face, bent where it is, target frame, metres; returns
        (M, 2, K), by how many pixels each moves a unit of each cause. The plate's edge moves
        too: pixels near it count for what moves the whole plate alone.
    places : (H, W) int64, optional
        The row of the answer that each pixel goes to, -1 for none; by default all, row by row.

    Returns
    -------
    (N, K) float64
        Of reflectance, a unit of each cause.
    """
    if places is None:
        count = region.height * region.width
        places = np.arange(count, dtype=np.int64).reshape(region.height, region.width)
    else:
        count = int(places.max(initial=-1)) + 1
    tables = kernel_tables(sigma_px)
    corner = np.array([region.u0, region.v0], dtype=np.float64)
    points, ways = _points(
        chords.ends - np.tile(corner, 2),
        chords.steps,
        region.height,
        region.width,
        tables[0].shape[1] // 2,
        PIECE_SIGMAS * sigma_px,
        *QUADRATURES,
    )
    on_face = points_on_face(points + corner, T_camera_target, camera, chords.relief)
    moved = motion(on_face)
    amounts = ways[:, 0, None] * moved[:, 1] - ways[:, 1, None] * moved[:, 0]
    out = np.zeros((count, moved.shape[2]))
    _splat(out, places, points, np.ascontiguousarray(amounts), tables[0])
    return out


def points_on_face(
    pixels: Array, T_camera_target: Pose, camera: Camera, relief: tuple[float, float, float]
) -> Array:
    """Return the points (M, 3), target frame, of a face that pixels (M, 2) show.

    `relief` has a, b, c of its height a x² + b y² + c x y. The root is the one that tends to the
    plane's.

    Raises
    ------
    GeometryError
        A pixel lies outside the lens's domain.
    """
    xy = normalise(pixels, camera)
    way = np.column_stack((xy, np.ones(len(xy)))) @ T_camera_target.rotation
    eye = -T_camera_target.translation @ T_camera_target.rotation
    a, b, c = relief
    second = a * way[:, 0] ** 2 + b * way[:, 1] ** 2 + c * way[:, 0] * way[:, 1]
    first = 2.0 * (a * way[:, 0] * eye[0] + b * way[:, 1] * eye[1]) - way[:, 2]
    first += c * (way[:, 0] * eye[1] + way[:, 1] * eye[0])
    none = a * eye[0] ** 2 + b * eye[1] ** 2 + c * eye[0] * eye[1] - eye[2]
    # a chord may leave its curve, and a face at grazing sight, by a hair
    root = np.sqrt(np.maximum(first**2 - 4.0 * second * none, 0.0))
    return np.asarray(eye - (2.0 * none / (first + root))[:, None] * way)


@kernel
def _points(
    ends: Array,
    steps: Array,
    height: int,
    width: int,
    reach: int,
    longest: float,
    nodes: Array,
    weights: Array,
) -> tuple[Array, Array]:
    """Return where chords within reach are looked at (M, 2), and their step along each (M, 2)."""
    span = np.empty((len(steps), 2))
    pieces, rules = np.zeros(len(steps), dtype=np.int64), np.zeros(len(steps), dtype=np.int64)
    for k in range(len(steps)):
        du, dv = ends[k, 2] - ends[k, 0], ends[k, 3] - ends[k, 1]
        first, last = within(ends[k, 0], du, -reach, width - 1.0 + reach, 0.0, 1.0)
        first, last = within(ends[k, 1], dv, -reach, height - 1.0 + reach, first, last)
        span[k, 0], span[k, 1] = first, last
        if first < last:
            needed = (last - first) * np.hypot(du, dv) / longest
            pieces[k] = int(np.ceil(needed))
            rules[k] = 1 if needed < ONE_POINT else 2 if needed < TWO_POINTS else NODES
    points = np.empty((np.sum(rules * pieces), 2))
    ways = np.empty_like(points)
    n = 0
    for k in range(len(steps)):
        first, whole = span[k, 0], span[k, 1] - span[k, 0]
        du, dv = ends[k, 2] - ends[k, 0], ends[k, 3] - ends[k, 1]
        for piece in range(pieces[k]):
            for q in range(rules[k]):
                t = first + whole * (piece + nodes[rules[k] - 1, q]) / pieces[k]
                share = steps[k] * whole * weights[rules[k] - 1, q] / pieces[k]
                points[n, 0], points[n, 1] = ends[k, 0] + t * du, ends[k, 1] + t * dv
                ways[n, 0], ways[n, 1] = share * du, share * dv
                n += 1
    return points, ways


@kernel
def _splat(out: Array, places: IntArray, points: Array, amounts: Array, h: Array) -> None:
    """Add each point's amounts (M, K), spread by h on both sides, to `out` (N, K)."""
    height, width = places.shape
    phases, taps = h.shape[0] - 1, h.shape[1]
    reach = taps // 2
    across = np.empty(taps)
    for m in range(len(points)):
        u, v = points[m, 0], points[m, 1]
        column, row = int(np.floor(u)), int(np.floor(v))
        left, top = column - reach + 1, row - reach + 1
        fu, fv = (u - column) * phases, (v - row) * phases
        pu, pv = min(int(fu), phases - 1), min(int(fv), phases - 1)
        fu -= pu
        fv -= pv
        for j in range(taps):
            across[j] = h[pu, j] + fu * (h[pu + 1, j] - h[pu, j])
        for i in range(max(0, -top), min(taps, height - top)):
            down = h[pv, i] + fv * (h[pv + 1, i] - h[pv, i])
            for j in range(max(0, -left), min(taps, width - left)):
                n = places[top + i, left + j]
                if n >= 0:
                    both = across[j] * down
                    for k in range(amounts.shape[1]):
                        out[n, k] += both * amounts[m, k]
