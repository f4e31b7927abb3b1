"""Pictures of a marker by plain supersampling: nothing of the bench's rasteriser is in them.

A ray for each of 256 points of a pixel meets the plate, and a table of the marker's cells says
how bright it is there. Light is laid on a grid of quarter pixels, before the lens; the lens is a
sampled kernel, convolved there. So what is drawn has an even box of a quarter pixel's width and a
pixel's, and nothing else in common with a chord's signed area.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
from scipy.signal import fftconvolve

from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.picture import Picture, Region
from bench.imaging.region import region_of
from bench.kernel import kernel
from bench.targets.dictionary import marker_cells
from bench.targets.target import Target
from bench.typing import Array, GreyImage

# Cells of the light's grid a pixel, each way, and points of the face a cell: a lattice, so that no
# two share a row or column, and an upright edge is placed to a 64th of a pixel.
CELLS, POINTS, SKEW = 4, 16, 5
MARGIN_PX = 10.0
# Where a cell of the light's grid is looked at first, of its width from its middle.
CORNERS = ((-0.5, -0.5), (0.5, -0.5), (-0.5, 0.5), (0.5, 0.5))
FULL = 255
# Reflectances, and grey value of reflectance 1 under even light.
WHITE, BLACK, WALL = 0.85, 0.05, 0.35
EXPOSURE_DN = 200.0
# Of the noise: grey values without light, and its square a grey value.
READ_DN, SHOT_DN = 0.6, 0.02

Light = Callable[[Array, Array], Array]


@dataclass(frozen=True, eq=False)
class Shot:
    """What is in front of the lens, and what is behind it.

    Attributes
    ----------
    times, plus : callable or None
        Light that the paint sends back and light that is added, of points (x, y) of the face,
        metres.
    lens : callable
        Returns the kernel (odd, odd) on a grid of so many cells a pixel.
    spread : float
        By how much black has grown beyond its drawing, metres.
    bow : float
        Height of the plate's middle over its two upright edges, metres; the marker's mean
        height is none.
    curve : callable or None
        Grey value, 0 to 1, of light 0 to 1.
    finish : callable or None
        What becomes of the grey picture in the end.
    mosaic : bool
        Whether colours were sampled one a pixel and interpolated.
    """

    times: Light | None = None
    plus: Light | None = None
    lens: Callable[[int], Array] = field(default=lambda cells: gaussian_lens(0.6, cells))
    spread: float = 0.0
    bow: float = 0.0
    curve: Callable[[Array], Array] | None = None
    finish: Callable[[GreyImage], GreyImage] | None = None
    mosaic: bool = False


def photograph(
    target: Target, pose: Pose, camera: Camera, shot: Shot, rng: np.random.Generator
) -> Picture:
    """Return a picture of a single marker."""
    region = region_of(target.drawing, pose, camera, MARGIN_PX)
    x, y, face = _face(target, pose, camera, region, shot)
    times = 1.0 if shot.times is None else shot.times(x, y)
    plus = 0.0 if shot.plus is None else shot.plus(x, y)
    through = fftconvolve(face * times + plus, shot.lens(CELLS), mode="same")
    light = _averaged(through, CELLS)
    grey = _developed(light, shot, rng)
    return Picture(grey, region.u0, region.v0, FULL)


def gaussian_lens(sigma_px: float, cells: int, other_px: float | None = None) -> Array:
    """Return a Gaussian, round or with another width down; a cell's own box is taken off."""
    across, down = (
        math.sqrt(s * s - 1.0 / (12.0 * cells * cells))
        for s in (sigma_px, sigma_px if other_px is None else other_px)
    )
    half = math.ceil(5.0 * max(across, down) * cells)
    v, u = np.mgrid[-half : half + 1, -half : half + 1] / cells
    spot = np.exp(-0.5 * ((u / across) ** 2 + (v / down) ** 2))
    return np.asarray(spot / np.sum(spot))


def _face(
    target: Target, pose: Pose, camera: Camera, region: Region, shot: Shot
) -> tuple[Array, Array, Array]:
    """Return places on the face and reflectances (H, W) on the grid of cells."""
    step = 1.0 / CELLS
    u = region.u0 - 0.5 + step * (np.arange(region.width * CELLS) + 0.5)
    v = region.v0 - 0.5 + step * (np.arange(region.height * CELLS) + 0.5)
    across, down = np.meshgrid(u, v)
    assert target.dictionary is not None
    assert camera.distortion == (0.0,) * 5
    marker_id = next(iter(target.markers))
    cells = np.asarray(marker_cells(target.dictionary, marker_id), dtype=np.float64)
    half = 0.5 * np.array([target.drawing.width, target.drawing.height])
    ends = np.stack(((across - camera.cx) / camera.fx, (down - camera.cy) / camera.fy), axis=-1)
    d = np.array([1.0 / camera.fx, 1.0 / camera.fy]) * step
    return _sampled(
        ends, d, pose.rotation, pose.translation, cells, target.marker_size, half, shot.spread,
        shot.bow,
    )  # fmt: skip


@kernel
def _sampled(
    ends: Array, step: Array, rotation: Array, translation: Array, cells: Array, size: float,
    half: Array, spread: float, bow: float,
) -> tuple[Array, Array, Array]:  # fmt: skip
    height, width = ends.shape[:2]
    xs, ys = np.zeros((height, width)), np.zeros((height, width))
    face = np.zeros((height, width))
    offset = translation @ rotation
    level = (0.5 * size / half[0]) ** 2 / 3.0  # mean height over the marker: none
    for i in range(height):
        for j in range(width):
            # a cell whose corners look alike is even: marker cells are ten times as large
            alike, shade = True, -1.0
            for k in range(len(CORNERS) + POINTS):
                corner = k < len(CORNERS)
                if not corner and alike:
                    break
                if corner:
                    du, dv = CORNERS[k]
                else:
                    n = k - len(CORNERS)
                    du, dv = (n + 0.5) / POINTS - 0.5, (SKEW * n % POINTS + 0.5) / POINTS - 0.5
                a, b = ends[i, j, 0] + step[0] * du, ends[i, j, 1] + step[1] * dv
                rx = rotation[0, 0] * a + rotation[1, 0] * b + rotation[2, 0]
                ry = rotation[0, 1] * a + rotation[1, 1] * b + rotation[2, 1]
                rz = rotation[0, 2] * a + rotation[1, 2] * b + rotation[2, 2]
                z = 0.0
                x = y = 0.0
                for _ in range(3 if bow != 0.0 else 1):
                    depth = (z + offset[2]) / rz
                    x, y = depth * rx - offset[0], depth * ry - offset[1]
                    z = bow * (level - (x / half[0]) ** 2)
                value = WALL
                if abs(x) <= half[0] and abs(y) <= half[1]:
                    value = BLACK if _is_black(x, y, cells, size, spread) else WHITE
                if corner:
                    xs[i, j] += x / len(CORNERS)
                    ys[i, j] += y / len(CORNERS)
                    alike = alike and (k == 0 or value == shade)
                    face[i, j] = shade = value
                else:
                    face[i, j] = value / POINTS + (face[i, j] if n > 0 else 0.0)
    return xs, ys, face


@kernel
def _is_black(x: float, y: float, cells: Array, size: float, spread: float) -> bool:
    """Tell whether a point of the face is black.

    Grown: a corner of the square around the point is on a black cell; shrunk: all are.
    """
    count = len(cells)
    side = size / count
    dark, corners = 0, 4 if spread != 0.0 else 1
    for c in range(corners):
        px = x + (spread if c % 2 else -spread)
        py = y + (spread if c // 2 else -spread)
        column, row = (
            int(np.floor((px + 0.5 * size) / side)),
            int(np.floor((0.5 * size - py) / side)),
        )
        if 0 <= row < count and 0 <= column < count and cells[row, column] < 0.5:
            dark += 1
    return dark == corners if spread < 0.0 else dark > 0


def _developed(light: Array, shot: Shot, rng: np.random.Generator) -> GreyImage:
    """Return grey values: noise, curve, mosaic, rounding, what comes after."""
    level = EXPOSURE_DN * light
    if shot.mosaic:
        return _mosaic(level, rng)
    noisy = _noisy(level, rng)
    if shot.curve is not None:
        noisy = FULL * shot.curve(np.clip(noisy / FULL, 0.0, 1.0))
    grey = np.rint(noisy).clip(0, FULL).astype(np.uint8)
    return grey if shot.finish is None else shot.finish(grey)


def _noisy(level: Array, rng: np.random.Generator) -> Array:
    variance = READ_DN**2 + SHOT_DN * np.maximum(level, 0.0)
    return np.asarray(level + rng.normal(0.0, 1.0, level.shape) * np.sqrt(variance))


def _mosaic(level: Array, rng: np.random.Generator) -> GreyImage:
    """Return the grey of an interpolated mosaic: red 0.6, green 1, blue 0.5 of the light."""
    gain = np.ones(level.shape)
    gain[0::2, 0::2], gain[1::2, 1::2] = 0.6, 0.5
    balance = 1.0 / gain
    raw = np.rint(_noisy(level * gain, rng) * balance).clip(0, FULL).astype(np.uint8)
    colour = cv2.cvtColor(raw, cv2.COLOR_BayerRG2BGR)
    return np.asarray(cv2.cvtColor(colour, cv2.COLOR_BGR2GRAY))


def _averaged(fine: Array, cells: int) -> Array:
    height, width = fine.shape[0] // cells, fine.shape[1] // cells
    return np.asarray(fine.reshape(height, cells, width, cells).mean(axis=(1, 3)))
