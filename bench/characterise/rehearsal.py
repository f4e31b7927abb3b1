"""Frames to rehearse with where there are no photographs, as a tower's camera sees them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from bench.cameras.rehearsal import rehearse
from bench.files import make_directory, write_atomically
from bench.geometry.viewing import View
from bench.imaging.picture import Picture, png
from bench.scene.model import Bay, Tower

# Series by name: light, as a factor, and how many.
SERIES = {"still": (1.0, 12), "dim": (0.35, 12), "bright": (2.0, 8), "dark": (0.0, 8)}
# Where targets stand, fractions across and down, and how far away, in the repeats' range.
PLACES = (
    (0.5, 0.5), (0.15, 0.2), (0.85, 0.2), (0.15, 0.8), (0.85, 0.8), (0.5, 0.2), (0.5, 0.8),
    (0.2, 0.5), (0.8, 0.5), (0.35, 0.35),
)  # fmt: skip
DISTANCES, TURNS_DEG = (1.0, 1.3, 1.7), (-35.0, 20.0, 40.0)
MORE_BLUR_PX = 0.1  # never as good as a data sheet, which is the point of measuring


def rehearsed(bay: Bay, tower: Tower) -> Iterator[tuple[str, Picture]]:
    """Yield the name and full frame of each picture.

    Repeats at two exposures and at one that saturates, the target unmoved; dark frames; the target
    over the field at three ranges.
    """
    camera, imaging = tower.camera, tower.imaging
    # so near that the plate is a seventh of the frame's width
    near = camera.fx * bay.target.drawing.width / (0.14 * camera.width)
    optics = replace(imaging.optics, sigma_px=imaging.optics.sigma_px + MORE_BLUR_PX)
    views = {
        f"view-{k + 1:02d}x": View(
            near * DISTANCES[k % 3], math.radians(TURNS_DEG[k % 3]), 0.1, 0.1 * (k % 4),
            (u * camera.width, v * camera.height)
        )
        for k, (u, v) in enumerate(PLACES)
    }  # fmt: skip
    still = View(near, math.radians(25.0), 0.1, 0.06)
    shots = [(views, 1.0)]
    for name, (factor, count) in SERIES.items():
        shots.append(({f"{name}-{k + 1:02d}": still for k in range(count)}, factor))
    for seen, factor in shots:
        light = replace(imaging.illumination, level=imaging.illumination.level * factor)
        of = replace(imaging, optics=optics, illumination=light)
        for name, picture, _ in rehearse(seen, bay.target, camera, of, bay.survey.seed):
            yield name, picture


def write_rehearsal(
    bay: Bay, tower: Tower, out: Path, progress: Callable[[int, int], None]
) -> list[Path]:
    """Render and save a rehearsal's pictures; return their paths."""
    folder = out / "rehearsal"
    make_directory(folder)
    count = sum(number for _, number in SERIES.values()) + len(PLACES)
    paths = []
    for name, picture in rehearsed(bay, tower):
        paths.append(folder / f"{name}.png")
        write_atomically(paths[-1], png(picture.grey, quick=True))
        progress(len(paths), count)
    return paths
