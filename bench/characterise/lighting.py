"""Light on the target and the target's own reflectances, from faces in many pictures.

All of these go by grey values in proportion to light: what another black level or another gamma,
one standard uncertainty away, would make of the same faces is in each claim. A gamma that is a
little off moves every boundary to one side, as ink does that spreads, and in all faces alike, so
that their scatter doesn't show it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from bench.characterise.blur import share_of
from bench.characterise.faces import FaceFit
from bench.characterise.known import KnownCamera
from bench.characterise.photon_transfer import Number
from bench.geometry.camera import Camera
from bench.imaging.picture import Picture
from bench.targets.target import Target
from bench.typing import Array

LEAST = 3
# Faces that are fitted anew with each other response; and of light, what differs between faces
# of which a black level is told.
REFITTED, LEAST_CHANGE = 3, 0.3


@dataclass(frozen=True)
class Lighting:
    """What pictures say of light and paper.

    Attributes
    ----------
    level, across, down : Number
        Of full well, for a reflectance of 1; relative change to the right and down, 1/m.
    spread : float
        Standard deviation of the level from picture to picture, a fraction; NaN of too few.
    falloff : Number or None
        Of the level half the diagonal away from the principal point, a fraction: vignetting, as
        far as the same light fell on all; None of too few pictures, or all in one place.
    black, ink : Number, Number or None
        Reflectance of the pattern, the plate's being as the drawing says; by which black has grown
        at its boundaries, metres.
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


def lighting_of(faces: Sequence[FaceFit], known: KnownCamera, target: Target) -> Lighting:
    """Return light and reflectances; `faces` were seen at one exposure."""
    full = known.linear.system_gain * known.sensor.full_well
    lights = np.array([face.light_at_centre(known.camera) for face in faces])
    level, across, down = lights[:, 0] / full, lights[:, 1], lights[:, 2]
    shares = np.array([share_of(face.place, known.camera) for face in faces])
    falloff = None
    if len(faces) > LEAST + 1 and np.ptp(shares) > 0.3:
        fit, covariance = np.polyfit(shares, level / np.mean(level), 1, cov=True)
        falloff = Number(-float(fit[0] / fit[1]), math.sqrt(covariance[0, 0]), "")
    shapes = target.drawing.shapes
    white, drawn = shapes[0].reflectance, min(shape.reflectance for shape in shapes)
    offset = np.array([face.light[0] for face in faces]) - known.linear.dark_level
    black = _mean(white * (offset + lights[:, 0] * drawn) / (offset + lights[:, 0] * white), "")
    return Lighting(
        _mean(level, ""),
        _mean(across, "1/m"),
        _mean(down, "1/m"),
        float(np.std(level, ddof=1) / np.mean(level)) if len(faces) >= LEAST else math.nan,
        falloff,
        replace(black, value=min(max(black.value, 0.0), 1.0)),
        _ink(faces),
    )


def light_claimed(
    pictures: Sequence[Picture], faces: Sequence[FaceFit], known: KnownCamera, target: Target
) -> tuple[Lighting, float]:
    """Return light and reflectances of pictures of one exposure, with what the response may be.

    Beside them stands by how much that moves a blur, pixels.

    Raises
    ------
    GeometryError, numpy.linalg.LinAlgError
        As `bench.characterise.faces.fit_face`.
    """
    light, some = lighting_of(faces, known, target), faces[:REFITTED]
    base, moved = lighting_of(some, known, target), 0.0
    for sensor in known.others:
        other, anew = replace(known, sensor=sensor), some
        if sensor.curve is not None:  # without, the offset of light takes up what black is off by
            pairs = zip(pictures[:REFITTED], some, strict=True)
            anew = [other.fitted(f.name, picture, target, f.pose) for picture, f in pairs]
        light = _widened(light, lighting_of(anew, other, target), base)
        blurs = [np.mean([face.blur_px for face in fitted]) for fitted in (anew, some)]
        moved = math.hypot(moved, float(blurs[0] - blurs[1]))
    return light, moved


def _widened(light: Lighting, other: Lighting, base: Lighting) -> Lighting:
    """Return light, each claim with what tells the other from the base."""
    wider: dict[str, Any] = {}
    for name in (one.name for one in fields(Lighting)):
        own, *ends = (getattr(one, name) for one in (light, other, base))
        if isinstance(own, Number) and None not in ends:
            moved = ends[0].value - ends[1].value
            wider[name] = replace(own, u=math.hypot(np.nan_to_num(own.u), moved))
    return replace(light, **wider)


def black_of_light(faces: Sequence[FaceFit], camera: Camera) -> Number | None:
    """Return the grey value without light, of faces under different light: at other distances.

    What isn't in proportion to the light on a face is the black level: the offset of all faces
    against their light is a line that begins there. None where light differs too little.
    """
    level = np.array([face.light_at_centre(camera)[0] for face in faces])
    if len(faces) <= LEAST or np.ptp(level) < LEAST_CHANGE * np.max(level):
        return None
    (_, value), covariance = np.polyfit(level, [face.light[0] for face in faces], 1, cov=True)
    return Number(float(value), math.sqrt(covariance[1, 1]), "DN")


def _mean(values: Array, unit: str) -> Number:
    u = float(np.std(values, ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else math.nan
    return Number(float(np.mean(values)), u, unit)


def _ink(faces: Sequence[FaceFit]) -> Number | None:
    pairs = np.array([(f.ink_m, f.u_ink_m) for f in faces if f.u_ink_m > 0.0])
    if not len(pairs):
        return None
    weight = 1.0 / pairs[:, 1] ** 2
    mean, u = float(weight @ pairs[:, 0] / np.sum(weight)), 1.0 / math.sqrt(float(np.sum(weight)))
    chi = float(weight @ (pairs[:, 0] - mean) ** 2) / max(len(pairs) - 1, 1)
    return Number(mean, u * math.sqrt(max(chi, 1.0)), "m")
