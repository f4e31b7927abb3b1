"""Light on the target and the target's own reflectances, from faces in many pictures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.characterise.blur import share_of
from bench.characterise.faces import FaceFit
from bench.characterise.known import KnownCamera
from bench.characterise.photon_transfer import Number
from bench.imaging.sensor import Sensor
from bench.targets.drawing import Drawing
from bench.typing import Array

LEAST = 3


@dataclass(frozen=True)
class Lighting:
    """What pictures say of light and paper.

    Attributes
    ----------
    level : Number
        Of full well, for a reflectance of 1.
    across, down : Number
        Relative change to the right and down, 1/m.
    spread : float
        Standard deviation of the level from picture to picture, a fraction; NaN of too few.
    falloff : Number or None
        Of the level half the diagonal away from the principal point, a fraction: vignetting, as
        far as the same light fell on all; None of too few pictures, or all in one place.
    black : Number
        Reflectance of the pattern, the plate's being as the drawing says.
    ink : Number or None
        By which black has grown at its boundaries, metres.
    """

    level: Number
    across: Number
    down: Number
    spread: float
    falloff: Number | None
    black: Number
    ink: Number | None

    @property
    def words(self) -> str:
        """Say it."""
        told = f"light: level {self.level.words}; black reflects {self.black.words}"
        if self.falloff is not None:
            told += f"; light falls by {self.falloff.words} to half the diagonal"
        if self.ink is not None:
            told += f"; black has grown by {self.ink.times(1e6, 'um').words}"
        return told


def lighting_of(
    faces: Sequence[FaceFit], known: KnownCamera, drawing: Drawing, u_black_dn: float
) -> Lighting:
    """Return light and reflectances; `faces` were seen at one exposure."""
    full = known.linear.system_gain * known.sensor.full_well
    lights = np.array([face.light_at_centre(known.camera) for face in faces])
    level, across, down = lights[:, 0] / full, lights[:, 1], lights[:, 2]
    shares = np.array([share_of(face.place, known.camera) for face in faces])
    falloff = None
    if len(faces) > LEAST + 1 and np.ptp(shares) > 0.3:
        fit, covariance = np.polyfit(shares, level / np.mean(level), 1, cov=True)
        falloff = Number(-float(fit[0] / fit[1]), math.sqrt(covariance[0, 0]), "")
    black, of_dn = _black(lights, faces, drawing, known.linear)
    found = _mean(black, "")
    u_level = u_black_dn * known.linear.system_gain / known.sensor.system_gain * np.mean(of_dn)
    reflects = min(max(found.value, 0.0), 1.0)
    spread = float(np.std(level, ddof=1) / np.mean(level)) if len(faces) >= LEAST else math.nan
    return Lighting(
        _mean(level, ""),
        _mean(across, "1/m"),
        _mean(down, "1/m"),
        spread,
        falloff,
        Number(reflects, math.hypot(np.nan_to_num(found.u), float(u_level)), ""),
        _ink(faces),
    )


def _mean(values: Array, unit: str) -> Number:
    u = float(np.std(values, ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else math.nan
    return Number(float(np.mean(values)), u, unit)


def _black(lights: Array, faces: Sequence[FaceFit], drawing: Drawing, sensor: Sensor) -> Array:
    """Return the pattern's reflectance by face, and what a grey value of black level does to it.

    Grey values of black over white, less black level.
    """
    white = drawing.shapes[0].reflectance
    drawn = min(shape.reflectance for shape in drawing.shapes)
    offset = np.array([face.light[0] for face in faces]) - sensor.dark_level
    bright = offset + lights[:, 0] * white
    return np.asarray(
        white / bright * np.stack((offset + lights[:, 0] * drawn, np.ones(len(faces))))
    )


def _ink(faces: Sequence[FaceFit]) -> Number | None:
    pairs = np.array([(f.ink_m, f.u_ink_m) for f in faces if f.u_ink_m > 0.0])
    if not len(pairs):
        return None
    weight = 1.0 / pairs[:, 1] ** 2
    mean, u = float(weight @ pairs[:, 0] / np.sum(weight)), 1.0 / math.sqrt(float(np.sum(weight)))
    chi = float(weight @ (pairs[:, 0] - mean) ** 2) / max(len(pairs) - 1, 1)
    return Number(mean, u * math.sqrt(max(chi, 1.0)), "m")
