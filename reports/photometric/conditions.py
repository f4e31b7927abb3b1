"""What may be wrong with a picture: light, print, lens, camera, dirt; drawn anew for each case."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.special import ndtr

from bench.typing import Array, GreyImage
from reports.photometric.shots import Shot, gaussian_lens

# Half the side of the area that light is drawn on, metres, and the grid of its textures.
REACH = 0.16
TEXTURE = 256


@dataclass(frozen=True)
class Condition:
    """One thing that is wrong.

    Attributes
    ----------
    name : str
        In tables.
    kind : str
        What is asked of it: "clean", "broad" reflections, "light", or "other".
    draw : callable
        Returns a shot of a random one.
    """

    name: str
    kind: str
    draw: Callable[[np.random.Generator], Shot]


def _reflection(sigma: float, level: float) -> Callable[[np.random.Generator], Shot]:
    def draw(rng: np.random.Generator) -> Shot:
        x0, y0 = rng.uniform(-0.08, 0.08, 2)
        peak = level * rng.uniform(0.6, 1.0)

        def plus(x: Array, y: Array) -> Array:
            away = ((x - x0) ** 2 + (y - y0) ** 2) / sigma**2
            return np.asarray(peak * np.exp(-0.5 * away))

        return Shot(plus=plus)

    return draw


def _across(rng: np.random.Generator) -> Callable[[Array, Array], Array]:
    """Return a signed distance from a random line over the face, metres."""
    angle, place = rng.uniform(0.0, 2.0 * math.pi), rng.uniform(-0.05, 0.05)

    def distance(x: Array, y: Array) -> Array:
        return np.asarray(math.cos(angle) * x + math.sin(angle) * y - place)

    return distance


def _window(rng: np.random.Generator) -> Shot:
    distance, soft = _across(rng), rng.uniform(0.012, 0.025)
    half, level = rng.uniform(0.03, 0.06), rng.uniform(0.1, 0.25)

    def plus(x: Array, y: Array) -> Array:
        d = distance(x, y)
        return np.asarray(level * (ndtr((d + half) / soft) - ndtr((d - half) / soft)))

    return Shot(plus=plus)


def _shadow(rng: np.random.Generator) -> Shot:
    distance, soft = _across(rng), rng.uniform(0.004, 0.010)
    depth = rng.uniform(0.25, 0.5)
    return Shot(times=lambda x, y: np.asarray(1.0 - depth * ndtr(distance(x, y) / soft)))


def _texture(rng: np.random.Generator, length: float) -> Callable[[Array, Array], Array]:
    """Return a random field of unit variance that changes over a length, metres."""
    rough = gaussian_filter(
        rng.normal(size=(TEXTURE, TEXTURE)), length * TEXTURE / (2.0 * REACH), mode="wrap"
    )
    rough /= np.std(rough)

    def field(x: Array, y: Array) -> Array:
        place = (np.stack((y, x)) + REACH) * (TEXTURE / (2.0 * REACH))
        return np.asarray(map_coordinates(rough, place, order=1, mode="wrap"))

    return field


def _paper(rng: np.random.Generator) -> Shot:
    field, depth = _texture(rng, 0.02), rng.uniform(0.01, 0.03)
    return Shot(times=lambda x, y: 1.0 + depth * field(x, y))


def _gradient(rng: np.random.Generator) -> Shot:
    slope, other = rng.uniform(-1.2, 1.2, 2), rng.uniform(-0.4, 0.4, 2)

    def times(x: Array, y: Array) -> Array:
        return np.asarray(0.9 + slope[0] * x + slope[1] * y)

    def plus(x: Array, y: Array) -> Array:
        return np.asarray(0.08 + other[0] * x + other[1] * y)

    return Shot(times=times, plus=plus)


def _ink(rng: np.random.Generator) -> Shot:
    return Shot(spread=float(rng.choice([-1.0, 1.0]) * rng.uniform(1e-4, 3e-4)))


def _bow(rng: np.random.Generator) -> Shot:
    return Shot(bow=float(rng.choice([-1.0, 1.0]) * rng.uniform(2e-4, 8e-4)))


def _coma(rng: np.random.Generator) -> Shot:
    angle, size = rng.uniform(0.0, 2.0 * math.pi), rng.uniform(0.3, 0.6)

    def lens(cells: int) -> Array:
        core = gaussian_lens(0.55, cells)
        half = core.shape[0] // 2 + math.ceil(3.0 * size * cells)
        spot = np.zeros((2 * half + 1,) * 2)
        for step, share in ((0.0, 0.5), (1.0, 0.3), (2.0, 0.15), (3.0, 0.05)):
            du, dv = (round(step * size * cells * f(angle)) for f in (math.cos, math.sin))
            r = core.shape[0] // 2
            spot[half + dv - r : half + dv + r + 1, half + du - r : half + du + r + 1] += (
                share * core
            )
        # where the spot's mean is, the picture is: else every lens would shift it
        v, u = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float64)
        middle = np.array([np.sum(spot * v), np.sum(spot * u)])
        place = np.stack((v, u)) + half + middle[:, None, None]
        spot = np.clip(map_coordinates(spot, place, order=3), 0.0, None)
        return np.asarray(spot / np.sum(spot))

    return Shot(lens=lens)


def _line_lens(length_px: float, angle: float) -> Callable[[int], Array]:
    def lens(cells: int) -> Array:
        core = gaussian_lens(0.6, cells)
        half = core.shape[0] // 2 + math.ceil(length_px * cells)
        wide = np.pad(core, half - core.shape[0] // 2)
        v, u = np.mgrid[0 : 2 * half + 1, 0 : 2 * half + 1].astype(np.float64)
        spot = np.zeros_like(wide)
        for t in np.linspace(-0.5, 0.5, 33):
            du, dv = (t * length_px * cells * f(angle) for f in (math.cos, math.sin))
            spot += map_coordinates(wide, np.stack((v - dv, u - du)), order=3)
        return np.asarray(spot / np.sum(spot))

    return lens


def _motion(rng: np.random.Generator) -> Shot:
    return Shot(lens=_line_lens(rng.uniform(0.4, 2.0), rng.uniform(0.0, math.pi)))


def _defocus(rng: np.random.Generator) -> Shot:
    radius = rng.uniform(0.8, 2.0)

    def lens(cells: int) -> Array:
        half = math.ceil((radius + 0.5) * cells)
        v, u = np.mgrid[-half : half + 1, -half : half + 1] / cells
        disc = np.clip((radius - np.hypot(u, v)) * cells + 0.5, 0.0, 1.0)
        core = gaussian_lens(0.4, cells)
        wide = np.pad(disc, core.shape[0] // 2)
        spot = cv2.filter2D(wide, -1, core, borderType=cv2.BORDER_CONSTANT)
        return np.asarray(spot / np.sum(spot))

    return Shot(lens=lens)


def _jpeg(rng: np.random.Generator) -> Shot:
    quality = int(rng.integers(70, 95))

    def finish(grey: GreyImage) -> GreyImage:
        _, packed = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, quality])
        return np.asarray(cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE))

    return Shot(finish=finish)


def _gamma(rng: np.random.Generator) -> Shot:
    power = rng.uniform(0.45, 0.8)
    return Shot(curve=lambda light: light**power)


def _dirt(rng: np.random.Generator) -> Shot:
    field = _texture(rng, 0.003)
    spots = [
        (*rng.uniform(-0.1, 0.1, 2), rng.uniform(0.004, 0.012), rng.uniform(0.3, 0.8))
        for _ in range(rng.integers(4, 9))
    ]

    def times(x: Array, y: Array) -> Array:
        clear, edge = np.ones_like(x), 0.002 * field(x, y)
        for x0, y0, radius, depth in spots:
            inside = ndtr((radius + edge - np.hypot(x - x0, y - y0)) / 5e-4)
            clear = clear * (1.0 - depth * inside)
        return clear

    return Shot(times=times)


def _cable(rng: np.random.Generator) -> Shot:
    distance, half = _across(rng), rng.uniform(0.0015, 0.004)
    sheen, bend = rng.uniform(0.3, 0.6), rng.uniform(-2.0, 2.0)

    def hidden(x: Array, y: Array) -> Array:
        d = distance(x, y) + bend * (x * x + y * y)
        return np.asarray(ndtr((half - np.abs(d)) / 2e-4))

    return Shot(
        times=lambda x, y: 1.0 - hidden(x, y), plus=lambda x, y: np.asarray(sheen * hidden(x, y))
    )


def _fingerprint(rng: np.random.Generator) -> Shot:
    x0, y0 = rng.uniform(-0.08, 0.08, 2)
    angle, level = rng.uniform(0.0, math.pi), rng.uniform(0.03, 0.10)

    def plus(x: Array, y: Array) -> Array:
        along = math.cos(angle) * (x - x0) + math.sin(angle) * (y - y0)
        across = -math.sin(angle) * (x - x0) + math.cos(angle) * (y - y0)
        patch = ndtr((1.0 - np.hypot(along / 0.012, across / 0.008)) / 0.15)
        ridges = 0.5 + 0.5 * np.cos(2.0 * math.pi * np.hypot(along + 0.01, across) / 6e-4)
        return np.asarray(level * patch * ridges)

    return Shot(plus=plus)


CONDITIONS = (
    Condition("clean", "clean", lambda rng: Shot()),
    Condition("reflection 20 mm", "light", _reflection(0.02, 0.2)),
    Condition("reflection 60 mm", "broad", _reflection(0.06, 0.25)),
    Condition("reflection 150 mm", "broad", _reflection(0.15, 0.25)),
    Condition("window band", "light", _window),
    Condition("shadow edge", "light", _shadow),
    Condition("uneven paper", "light", _paper),
    Condition("gradient", "other", _gradient),
    Condition("ink spread", "other", _ink),
    Condition("bow", "other", _bow),
    Condition("coma", "other", _coma),
    Condition("motion", "other", _motion),
    Condition("defocus", "other", _defocus),
    Condition("mosaic", "other", lambda rng: Shot(mosaic=True)),
    Condition("JPEG", "other", _jpeg),
    Condition("gamma", "other", _gamma),
    Condition("dirt", "other", _dirt),
    Condition("cable", "other", _cable),
    Condition("fingerprint", "other", _fingerprint),
)
