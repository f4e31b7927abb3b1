"""Choice of the pixels that speak of a target's face, and of those that speak of its pose.

Only pixels near a boundary change with the pose; the others tell of the light alone, which has
four unknowns, so that a few thousand of a big target's are as good as all. Pixels that count
are kept as lists, those near a boundary first.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.chords import project_chords, project_outline
from bench.imaging.gaussian import CUT_SIGMAS
from bench.imaging.picture import Region
from bench.kernel import kernel
from bench.targets.drawing import Drawing
from bench.typing import Array, BoolArray, IntArray

# How far inside the plate's edge a pixel must lie to count, in σ beyond half a pixel. What lies
# beyond the plate isn't the target's to know; from 2.5 σ away 0.6 % of a step there leaks in.
EDGE_SIGMAS = 2.5
# A thinned choice keeps, of the pixels far from boundaries, one in so many each way. It costs a
# pose up to 1 % of its accuracy, as light's gradient is known a little less.
EVERY = 4
# Distance between the squares that are stamped along a boundary to find the pixels near it.
STRIDE_PX = 2.0


@dataclass(frozen=True, eq=False)
class Pixels:
    """The pixels that count.

    Attributes
    ----------
    region : Region
        Where they are.
    index : (N,) int64
        Each one's place in the region, row by row.
    near : int
        The first so many are near a boundary; the others don't change with the pose.
    places : (H, W) int64
        The place in `index` of each pixel near a boundary that counts, -1 for all others.
    across, down : (N,) float64
        Each one's place, -1 to 1 across the region's longer side.
    """

    region: Region
    index: IntArray
    near: int
    places: IntArray
    across: Array
    down: Array

    def __len__(self) -> int:
        return len(self.index)

    @property
    def seen(self) -> Array:
        """Where on the sensor they are (N, 2), pixels."""
        row, column = np.divmod(self.index, self.region.width)
        return np.column_stack((column + self.region.u0, row + self.region.v0)).astype(np.float64)

    def of(self, image: Array) -> Array:
        """Return the values (N,) that an image (H, W) has there."""
        return np.asarray(image.reshape(-1)[self.index])


def face_mask(
    drawing: Drawing, T_camera_target: Pose, camera: Camera, sigma_px: float, region: Region
) -> BoolArray:
    """Return which pixels (H, W) of a region show the target's face and nothing beyond it.

    Raises
    ------
    GeometryError
        As `bench.imaging.chords.project_chords`.
    """
    ends = project_outline(drawing, T_camera_target, camera).ends
    ends = ends - np.array([region.u0, region.v0] * 2, dtype=np.float64)
    return _inside(region.height, region.width, ends, 0.5 + EDGE_SIGMAS * sigma_px)


def choose_pixels(
    drawing: Drawing,
    T_camera_target: Pose,
    camera: Camera,
    sigma_px: float,
    region: Region,
    mask: BoolArray,
    *,
    slack_px: float = 0.0,
    every: int = 1,
) -> Pixels:
    """Return the pixels of a mask as lists, those near a boundary first.

    Parameters
    ----------
    drawing, T_camera_target, camera : Drawing, Pose, Camera
        Where the boundaries are.
    sigma_px : float
        Blur, pixels.
    region : Region
        What the mask covers.
    mask : (H, W) bool
        Pixels that count.
    slack_px : float
        How far boundaries and blur may yet move.
    every : int
        Of the pixels far from boundaries, keep one in so many each way.

    Raises
    ------
    GeometryError
        As `bench.imaging.chords.project_chords`.
    """
    ends = project_chords(_without_plate(drawing), T_camera_target, camera).ends
    ends = ends - np.array([region.u0, region.v0] * 2, dtype=np.float64)
    near = np.zeros(mask.shape, dtype=np.bool_)
    reach = 0.5 * STRIDE_PX + 0.5 + CUT_SIGMAS * sigma_px + slack_px
    _stamp(near, ends, STRIDE_PX, reach)
    return Pixels(region, *_listed(mask, near, every))


@lru_cache(maxsize=256)
def _without_plate(drawing: Drawing) -> Drawing:
    """Return what is drawn on a plate: its own edge, `face_mask` keeps away from."""
    return replace(drawing, shapes=drawing.shapes[1:])


@kernel
def _listed(
    mask: BoolArray, near: BoolArray, every: int
) -> tuple[IntArray, int, IntArray, Array, Array]:
    """Return the fields of `Pixels` but the first."""
    height, width = mask.shape
    places = np.empty((height, width), np.int64)
    index = np.empty(height * width, np.int64)
    count = 0
    for i in range(height):
        for j in range(width):
            places[i, j] = -1
            if mask[i, j] and near[i, j]:
                places[i, j] = count
                index[count] = i * width + j
                count += 1
    first = count
    for i in range(every // 2, height, every):
        for j in range(every // 2, width, every):
            if mask[i, j] and not near[i, j]:
                index[count] = i * width + j
                count += 1
    half = 0.5 * max(height, width)
    across, down = np.empty(count), np.empty(count)
    for n in range(count):
        i = index[n] // width
        across[n] = (index[n] - i * width - 0.5 * (width - 1)) / half
        down[n] = (i - 0.5 * (height - 1)) / half
    return index[:count].copy(), first, places, across, down


@kernel
def _inside(height: int, width: int, ends: Array, margin: float) -> BoolArray:
    """Return the pixels (H, W) further than a margin inside all chords (N, 4) of a plate.

    Half planes: where a lens bends a side inward they cut off a little more. What they leave of
    a row is one interval, since a product rounds monotonically.
    """
    mask = np.zeros((height, width), dtype=np.bool_)
    middle_u = 0.5 * (np.mean(ends[:, 0]) + np.mean(ends[:, 2]))
    middle_v = 0.5 * (np.mean(ends[:, 1]) + np.mean(ends[:, 3]))
    normals = np.empty((len(ends), 2))
    for k in range(len(ends)):
        u0, v0 = ends[k, 0], ends[k, 1]
        length = np.hypot(ends[k, 2] - u0, ends[k, 3] - v0)
        nu, nv = (v0 - ends[k, 3]) / length, (ends[k, 2] - u0) / length
        if nu * (middle_u - u0) + nv * (middle_v - v0) < 0.0:
            nu, nv = -nu, -nv
        normals[k, 0], normals[k, 1] = nu, nv
    for i in range(height):
        first, last = 0, width - 1
        for k in range(len(ends)):
            nu = normals[k, 0]
            offset = normals[k, 1] * (i - ends[k, 1]) - nu * ends[k, 0] - margin
            if nu == 0.0:
                if offset <= 0.0:
                    first = width
                continue
            while first <= last and nu > 0.0 and nu * first + offset <= 0.0:
                first += 1
            while first <= last and nu < 0.0 and nu * last + offset <= 0.0:
                last -= 1
        mask[i, first : last + 1] = True
    return mask


@kernel
def _stamp(mask: BoolArray, ends: Array, stride: float, reach: float) -> None:
    """Set all pixels of `mask` within squares of half side `reach` along chords (N, 4)."""
    height, width = mask.shape
    for k in range(len(ends)):
        u0, v0 = ends[k, 0], ends[k, 1]
        du, dv = ends[k, 2] - u0, ends[k, 3] - v0
        first, last = 0.0, 1.0
        for axis in range(2):
            start, way = (u0, du) if axis == 0 else (v0, dv)
            high = (width if axis == 0 else height) + reach
            if way == 0.0:
                if not -reach <= start <= high:
                    first, last = 1.0, 0.0
            else:
                a, b = (-reach - start) / way, (high - start) / way
                first, last = max(first, min(a, b)), min(last, max(a, b))
        if first >= last:
            continue
        count = 1 + int(np.ceil((last - first) * np.hypot(du, dv) / stride))
        for n in range(count + 1):
            t = first + (last - first) * n / count
            u, v = u0 + t * du, v0 + t * dv
            left, right = max(0, int(np.ceil(u - reach))), min(width, int(u + reach) + 1)
            for i in range(max(0, int(np.ceil(v - reach))), min(height, int(v + reach) + 1)):
                for j in range(left, right):
                    mask[i, j] = True
