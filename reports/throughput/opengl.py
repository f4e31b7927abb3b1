"""The planar path against triangles drawn by OpenGL through pyrender, at equal corner accuracy.

A supersampled picture's corners become as good as those of the exact one, once both are rounded to
8 bits, at some number of samples; that number is looked for, then both are timed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from time import perf_counter
from typing import Any

import numpy as np

from bench.errors import RenderError
from bench.geometry.pose import Pose
from bench.imaging.picture import Region
from bench.imaging.raster import reflectance_image
from bench.imaging.region import region_of
from bench.render.drawing_mesh import shape_triangles
from bench.render.planar import MARGIN_PX, full_frame
from bench.typing import Array
from reports.throughput.corners import corner_errors
from reports.throughput.setting import (
    FULL_SCALE,
    Options,
    pinhole,
    plain_poses,
    plain_target,
)
from reports.throughput.timing import interleaved, ratio, spread

SIZE_PX = 100.0
FACTORS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64)
# Corners count as equally good up to this ratio of RMS errors: eight poses' 32 corners tell
# no closer, an RMS of n normal errors being uncertain by 1 / sqrt(2 n) = 12 %.
EQUAL = 1.1
TILE = 4096  # samples a side: within what every OpenGL draws at once


def rounded(reflectance: Array) -> Array:
    """Return grey values of 8 bits, as floats."""
    return np.rint(FULL_SCALE * reflectance)


def triangles_of(pose: Pose) -> tuple[Array, Array]:
    """Return the plain target's triangles (F, 3, 3), camera frame, and colours (F, 3, 3).

    Each shape is drawn nearer to the camera than the one below by a hundred-thousandth of the
    way, along the rays, so that its picture stays where it is.
    """
    found, colours = [], []
    for layer, (flat, reflectance) in enumerate(shape_triangles(plain_target().drawing)):
        points = np.concatenate((flat, np.zeros((*flat.shape[:2], 1))), axis=2)
        seen = points @ pose.rotation.T + pose.translation
        found.append(seen * (1.0 - 1e-5 * layer))
        colours.append(np.full(seen.shape, reflectance))
    return np.concatenate(found), np.concatenate(colours)


def tiles_of(region: Region, factor: int) -> list[Region]:
    """Cut a region into even parts that fit a tile of samples, so that hardly any is wasted."""
    width, height = (
        math.ceil(n / math.ceil(n * factor / TILE)) for n in (region.width, region.height)
    )
    return [
        Region(
            region.u0 + x,
            region.v0 + y,
            min(width, region.width - x),
            min(height, region.height - y),
        )
        for y in range(0, region.height, height)
        for x in range(0, region.width, width)
    ]


class Supersampler:
    """Pictures of the plain target at one pose, so many samples to a pixel each way."""

    def __init__(self, pose: Pose, factor: int, size: tuple[int, int]) -> None:
        from bench.render.gl import drawer

        self.factor, self.size = factor, size
        background = plain_target().drawing.background
        wide = (size[0] * factor, size[1] * factor)
        self._holder = drawer(*triangles_of(pose), wide, background)
        self._drawer = self._holder.__enter__()
        self._near, self._far = 0.5 * pose.translation[2], 2.0 * pose.translation[2]

    def picture(self, region: Region) -> Array:
        """Return reflectance (H, W), box averages of the samples."""
        camera, s = pinhole(), self.factor
        shift = 0.5 * (s - 1)  # a pixel's first sample lies half a pixel less half a sample off
        drawn = self._drawer.draw(
            camera.fx * s,
            camera.fy * s,
            (camera.cx - region.u0) * s + shift,
            (camera.cy - region.v0) * s + shift,
            self._near,
            self._far,
        )[: region.height * s, : region.width * s, 0]
        if s == 1:
            return np.asarray(drawn / float(FULL_SCALE))
        # of grey values whole sums are exact, and faster than floats
        rows = np.add.reduceat(drawn, np.arange(0, drawn.shape[0], s), axis=0, dtype=np.uint32)
        sums = np.add.reduceat(rows, np.arange(0, drawn.shape[1], s), axis=1)
        return np.asarray(sums / (FULL_SCALE * float(s * s)))

    def close(self) -> None:
        """Give the graphics memory back."""
        self._holder.__exit__(None, None, None)


def accuracy(poses: list[Pose], picture: Callable[[Pose, Region], Array]) -> float:
    """Return the RMS corner error, pixels, of pictures rounded to 8 bits."""
    target, camera = plain_target(), pinhole()
    errors = []
    for pose in poses:
        region = region_of(target.drawing, pose, camera, MARGIN_PX)
        grey = rounded(picture(pose, region))
        errors.append(corner_errors(grey, region, target, pose, camera))
    return math.sqrt(float(np.mean(np.square(errors))))


def planar(pose: Pose, region: Region) -> Array:
    """Return the exact picture's reflectance."""
    return reflectance_image(plain_target().drawing, pose, pinhole(), region)


def _supersampled(factor: int) -> Callable[[Pose, Region], Array]:
    def picture(pose: Pose, region: Region) -> Array:
        tiles = tiles_of(region, factor)
        sampler = Supersampler(pose, factor, (tiles[0].width, tiles[0].height))
        try:
            whole = np.empty((region.height, region.width))
            for tile in tiles:
                x, y = tile.u0 - region.u0, tile.v0 - region.v0
                whole[y : y + tile.height, x : x + tile.width] = sampler.picture(tile)
        finally:
            sampler.close()
        return whole

    return picture


def measure(options: Options) -> dict[str, Any]:
    """Return samples needed, corner errors, times and ratios; ``missing`` where nothing draws."""
    try:
        import bench.render.gl as gl

        with gl.drawer(np.zeros((1, 3, 3)), np.zeros((1, 3, 3)), (8, 8)):
            way = gl._settled_way()
    except RenderError as error:
        return {"missing": str(error)}
    poses = plain_poses(SIZE_PX, options.few(8, 3))
    exact = accuracy(poses, planar)
    tried: dict[str, float] = {}
    factor = FACTORS[-1]
    for candidate in FACTORS:
        tried[str(candidate)] = accuracy(poses, _supersampled(candidate))
        if tried[str(candidate)] <= EQUAL * exact:
            factor = candidate
            break
    reached = tried[str(factor)] <= EQUAL * exact
    return {
        "way": way,
        "size_px": SIZE_PX,
        "planar_corner_rms_px": exact,
        "pyrender_corner_rms_px": tried,
        "samples": factor,
        "reached": reached,
        "region": _timed(poses[0], _region(poses[0]), factor, options.few(7, 2), None),
        "frame": _timed(
            poses[0], full_frame(pinhole()), factor, options.few(5, 2), options.few(6, 1)
        ),
        "frame_plain": _timed(poses[0], full_frame(pinhole()), 1, options.few(9, 3), None),
    }


def _region(pose: Pose) -> Region:
    return region_of(plain_target().drawing, pose, pinhole(), MARGIN_PX)


def _timed(
    pose: Pose, region: Region, factor: int, rounds: int, most_tiles: int | None
) -> dict[str, Any]:
    """Time both paths; of many tiles, some spread over the region stand for all."""
    tiles = tiles_of(region, factor)
    chosen = tiles
    if most_tiles is not None and len(tiles) > most_tiles:
        at = np.unique(np.linspace(0, len(tiles) - 1, most_tiles).astype(int))
        chosen = [tiles[i] for i in at]
    pixels = sum(t.width * t.height for t in chosen)
    scale = region.width * region.height / pixels
    sampler = Supersampler(pose, factor, (tiles[0].width, tiles[0].height))
    try:
        start = perf_counter()
        times = interleaved(
            {
                "planar": lambda: planar(pose, region),
                "pyrender": lambda: [sampler.picture(tile) for tile in chosen],
            },
            rounds,
        )
    finally:
        sampler.close()
    slow = [scale * s for s in times["pyrender"]]
    return {
        "pixels": region.width * region.height,
        "samples": factor,
        "tiles": len(tiles),
        "tiles_drawn": len(chosen),
        "planar_ms": spread([1e3 * s for s in times["planar"]]),
        "pyrender_ms": spread([1e3 * s for s in slow]),
        "ratio": ratio(slow, times["planar"]),
        "took_s": perf_counter() - start,
    }
