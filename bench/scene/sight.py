"""Straight lines of sight among solids: exact tests of segments against triangles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.kernel import kernel
from bench.scene.solids import Solid
from bench.typing import Array, BoolArray

Indices = NDArray[np.intp]
# Hits nearer to either end of a segment than that fraction of it don't count: ends lie on
# surfaces. At 20 m it is 20 nm, far over rounding and under any thickness.
NEAR_END = 1e-9


@dataclass(frozen=True, eq=False)
class Scenery:
    """Solids packed for tests.

    Attributes
    ----------
    names : tuple of str
        Of the S solids.
    triangles : (F, 3, 3) float64
        Corners of all triangles, solid by solid.
    first : (S + 1,) int
        Where each solid's triangles begin, and where the last one's end.
    low, high : (S, 3) float64
        Corners of each solid's upright bounding box.
    """

    names: tuple[str, ...]
    triangles: Array
    first: Indices
    low: Array
    high: Array


def pack(solids: Sequence[Solid]) -> Scenery:
    """Return solids packed for tests."""
    corners = [solid.vertices[solid.triangles] for solid in solids]
    counts = [len(c) for c in corners]
    return Scenery(
        tuple(solid.name for solid in solids),
        np.ascontiguousarray(np.concatenate([np.empty((0, 3, 3)), *corners])),
        np.concatenate(([0], np.cumsum(counts))).astype(np.intp),
        np.array([s.vertices.min(axis=0) for s in solids]).reshape(-1, 3),
        np.array([s.vertices.max(axis=0) for s in solids]).reshape(-1, 3),
    )


def first_hits(starts: Array, ends: Array, scenery: Scenery, among: Indices) -> Indices:
    """Return which solid each segment meets first, (N,) int; -1 where it meets none.

    Parameters
    ----------
    starts, ends : (N, 3) float64
        Of the segments.
    scenery : Scenery
        What is in the way.
    among : (M,) int
        Solids to test.
    """
    return _hits(starts, ends, scenery, among, False)


def are_free(starts: Array, ends: Array, scenery: Scenery) -> BoolArray:
    """Return whether nothing at all is in each segment's way, (N,); quicker than what is first.

    Parameters as `first_hits`, of all solids.
    """
    return _hits(starts, ends, scenery, np.arange(len(scenery.names)), True) < 0


def _hits(starts: Array, ends: Array, scenery: Scenery, among: Indices, any_: bool) -> Indices:
    return _first_hits(
        np.ascontiguousarray(starts), np.ascontiguousarray(ends), scenery.triangles,
        scenery.first, scenery.low, scenery.high, among, any_,
    )  # fmt: skip


def within_pyramid(apex: Array, base: Array, scenery: Scenery) -> Indices:
    """Return the solids whose bounding box reaches into a pyramid, or nearly so, (M,) int.

    Parameters
    ----------
    apex : (3,) float64
        The eye.
    base : (4, 3) float64
        What it looks at: corners, anticlockwise as seen from the apex's side.
    scenery : Scenery
        What may be in the way.
    """
    edges = np.roll(base, -1, axis=0) - base
    # inward normals of the four sides, and of the base; all planes pass through a corner
    sides = np.cross(edges, base - apex)
    planes = np.vstack((sides, np.cross(base[1] - base[0], base[3] - base[0])))
    origins = np.vstack((base, base[0]))
    inward = np.where(np.sum(planes[:4] * (base.mean(axis=0) - apex), axis=1) < 0.0, -1.0, 1.0)
    planes[:4] *= inward[:, None]
    if planes[4] @ (apex - base[0]) < 0.0:
        planes[4] *= -1.0
    # a box is outside a plane where even its corner farthest along the normal is
    reach = np.maximum(scenery.low[:, None] * planes, scenery.high[:, None] * planes).sum(
        axis=2
    ) - np.sum(planes * origins, axis=1)
    slack = 1e-9 * np.linalg.norm(planes, axis=1)
    return np.flatnonzero(np.all(reach >= -slack, axis=1))


@kernel
def _first_hits(
    starts: Array,
    ends: Array,
    triangles: Array,
    first: Indices,
    low: Array,
    high: Array,
    among: Indices,
    any_: bool,
) -> Indices:
    found = np.full(len(starts), -1, dtype=np.intp)
    way, per = np.empty(3), np.empty(3)
    last = -1  # what hid one point hides the next, as like as not
    for i in range(len(starts)):
        nearest = 1.0 - NEAR_END
        ox, oy, oz = starts[i, 0], starts[i, 1], starts[i, 2]
        for axis in range(3):
            way[axis] = ends[i, axis] - starts[i, axis]
            # along an axis that it runs square to, 0: no quotient may overflow
            per[axis] = 1.0 / way[axis] if abs(way[axis]) > 1e-200 else 0.0
        dx, dy, dz = way[0], way[1], way[2]
        for k in range(-1, len(among)):
            solid = among[k] if k >= 0 else last
            if k < 0 and not (any_ and last >= 0):
                continue
            # the part of the segment between each pair of the box's sides
            enter, leave = 0.0, nearest
            for axis in range(3):
                a, b = low[solid, axis] - starts[i, axis], high[solid, axis] - starts[i, axis]
                if per[axis] == 0.0:
                    if a > 0.0 or b < 0.0:
                        leave = -1.0
                else:
                    a, b = a * per[axis], b * per[axis]
                    enter = max(enter, min(a, b))
                    leave = min(leave, max(a, b))
            # rounding mustn't lose a hit on the box's own side
            if enter > leave + 1e-12:
                continue
            for f in range(first[solid], first[solid + 1]):
                # Möller and Trumbore 1997, doi:10.1080/10867651.1997.10487468
                ax, ay, az = triangles[f, 0, 0], triangles[f, 0, 1], triangles[f, 0, 2]
                ex, ey, ez = (
                    triangles[f, 1, 0] - ax,
                    triangles[f, 1, 1] - ay,
                    triangles[f, 1, 2] - az,
                )
                gx, gy, gz = (
                    triangles[f, 2, 0] - ax,
                    triangles[f, 2, 1] - ay,
                    triangles[f, 2, 2] - az,
                )
                px, py, pz = dy * gz - dz * gy, dz * gx - dx * gz, dx * gy - dy * gx
                det = ex * px + ey * py + ez * pz
                if det == 0.0:
                    continue
                tx, ty, tz = ox - ax, oy - ay, oz - az
                u = (tx * px + ty * py + tz * pz) / det
                if u < 0.0 or u > 1.0:
                    continue
                qx, qy, qz = ty * ez - tz * ey, tz * ex - tx * ez, tx * ey - ty * ex
                v = (dx * qx + dy * qy + dz * qz) / det
                if v < 0.0 or u + v > 1.0:
                    continue
                t = (gx * qx + gy * qy + gz * qz) / det
                if NEAR_END < t < nearest:
                    nearest = t
                    found[i] = solid
                    if any_:
                        break
            if any_ and found[i] >= 0:
                last = found[i]
                break
    return found
