"""What is measured: marker sizes, tilts and blurs, and the view and noise of every case."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.digest import key_digest
from bench.geometry.camera import Camera
from bench.geometry.viewing import View
from bench.imaging.illumination import Illumination
from bench.imaging.model import Imaging
from bench.imaging.optics import Optics
from bench.imaging.sensor import Sensor
from bench.targets.design import MarkerDesign, build_target
from bench.targets.target import Target

SIZE_M = 0.2
FOCAL_PX = 3000.0
CAMERA = Camera(2448, 2048, FOCAL_PX, FOCAL_PX, 1223.5, 1023.5)
# With 75 electrons of read noise the noise of a mid-grey pixel, 45 % of full well, is 1.0 % of
# full scale; 0.8 % on the marker's black, 1.2 % on its white. Nothing saturates.
SENSOR = Sensor(dark_noise=75.0)
LIGHT = Illumination(level=1.0)

SIZES_PX = (20.0, 25.0, 33.0, 50.0, 100.0)
TILTS_DEG = (15.0, 30.0, 50.0, 70.0)
BLURS_PX = (0.5, 0.8)
# Half widths of what varies within a cell: roll, and turn and pitch about their nominal values.
ROLL_DEG, JITTER_DEG = 180.0, 0.5
# Where the target's centre may be: near the middle of the frame, at any place within a pixel.
PLACE_PX = 100.0


@dataclass(frozen=True)
class Cell:
    """One marker size, tilt and blur."""

    size_px: float
    tilt_deg: float
    blur_px: float

    @property
    def range_m(self) -> float:
        """Distance at which the marker has its size."""
        return FOCAL_PX * SIZE_M / self.size_px

    @property
    def name(self) -> str:
        """Key of the cell, such as ``20px/15deg/0.5px``."""
        return f"{self.size_px:g}px/{self.tilt_deg:g}deg/{self.blur_px:g}px"

    @property
    def imaging(self) -> Imaging:
        """Lens, light and sensor."""
        return Imaging(Optics(sigma_px=self.blur_px), LIGHT, SENSOR)


def marker() -> Target:
    """Return the target: a tag36h11 marker."""
    return build_target(MarkerDesign(size=SIZE_M))


def generator(seed: int, key: str) -> np.random.Generator:
    """Return a case's own source of randomness."""
    return np.random.default_rng(np.random.SeedSequence([seed, key_digest(key)]))


def draw_view(cell: Cell, rng: np.random.Generator) -> View:
    """Return how a case's target is held: turned either way by the cell's tilt."""
    jitter = np.radians(rng.uniform(-JITTER_DEG, JITTER_DEG, 2))
    side = 1.0 if rng.random() < 0.5 else -1.0
    place = rng.uniform(-PLACE_PX, PLACE_PX, 2)
    return View(
        cell.range_m,
        turn=float(side * math.radians(cell.tilt_deg) + jitter[0]),
        pitch=float(jitter[1]),
        roll=float(math.radians(rng.uniform(-ROLL_DEG, ROLL_DEG))),
        pixel=(CAMERA.cx + float(place[0]), CAMERA.cy + float(place[1])),
    )


def grid() -> list[Cell]:
    """Return all cells."""
    return [Cell(s, t, b) for b in BLURS_PX for s in SIZES_PX for t in TILTS_DEG]
