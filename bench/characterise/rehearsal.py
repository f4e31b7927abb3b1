"""Frames to rehearse with where there are no photographs, as a tower's camera sees them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from bench.cameras.rehearsal import rehearse
from bench.files import make_directory, write_atomically
from bench.geometry.viewing import View
from bench.imaging.illumination import Illumination
from bench.imaging.model import Imaging
from bench.imaging.picture import Picture
from bench.scene.model import Bay, Tower

REPEATS, DIM, BRIGHT, DARK = 12, 0.35, 2.0, 8
# Where targets stand, fractions across and down, and how far away, in the repeats' range.
PLACES = (
    (0.5, 0.5), (0.15, 0.2), (0.85, 0.2), (0.15, 0.8), (0.85, 0.8), (0.5, 0.2), (0.5, 0.8),
    (0.2, 0.5), (0.8, 0.5), (0.35, 0.35),
)  # fmt: skip
DISTANCES = (1.0, 1.3, 1.7)


def rehearsed(bay: Bay, tower: Tower, seed: int) -> Iterator[tuple[str, Picture]]:
    """Yield the name and full frame of each picture.

    Repeats at two exposures and at one that saturates, the target unmoved; dark frames; the target
    over the field at three ranges.
    """
    camera, imaging, drawing = tower.camera, tower.imaging, bay.target.drawing
    # so near that the plate is a seventh of the frame's width
    near = camera.fx * drawing.width / (0.14 * camera.width)
    view = View(near, math.radians(25.0), 0.1, 0.06)
    # never as good as a data sheet, which is the point of measuring
    real = replace(imaging, optics=replace(imaging.optics, sigma_px=imaging.optics.sigma_px + 0.1))

    def shots(views: dict[str, View], of: Imaging) -> Iterator[tuple[str, Picture]]:
        for name, picture, _ in rehearse(views, bay.target, camera, of, seed):
            yield name, picture

    def lit(factor: float) -> Imaging:
        light = real.illumination
        level = light.level * factor
        return replace(real, illumination=Illumination(level, light.gradient, light.highlight))

    for name, factor, count in (
        ("still", 1.0, REPEATS),
        ("dim", DIM, REPEATS),
        ("bright", BRIGHT, 8),
    ):
        yield from shots({f"{name}-{k + 1:02d}": view for k in range(count)}, lit(factor))
    yield from shots({f"dark-{k + 1:02d}": view for k in range(DARK)}, lit(0.0))
    views = {
        f"view-{k + 1:02d}x": View(
            near * DISTANCES[k % 3],
            math.radians((-35.0, 20.0, 40.0)[k % 3]),
            0.1,
            0.1 * (k % 4),
            (place[0] * camera.width, place[1] * camera.height),
        )
        for k, place in enumerate(PLACES)
    }
    yield from shots(views, real)


def count_of() -> int:
    """Return how many pictures a rehearsal has."""
    return 2 * REPEATS + 8 + DARK + len(PLACES)


def write_rehearsal(
    bay: Bay, tower: Tower, out: Path, progress: Callable[[int, int], None]
) -> list[Path]:
    """Render and save a rehearsal's pictures; return their paths."""
    folder = out / "rehearsal"
    make_directory(folder)
    paths = []
    for name, picture in rehearsed(bay, tower, bay.survey.seed):
        paths.append(folder / f"{name}.png")
        coded = cv2.imencode(".png", picture.grey, [cv2.IMWRITE_PNG_COMPRESSION, 1])[1]
        write_atomically(paths[-1], np.asarray(coded).tobytes())
        progress(len(paths), count_of())
    return paths
