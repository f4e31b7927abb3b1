"""Draws: one bay from the sizes of its imperfections, and the light and dirt of one picture.

A bay's own causes (its camera, its print, its plate) are drawn once a bay; what changes from
picture to picture is drawn once a picture. Every cause has a stream of random numbers of its own,
keyed by the bay's or the picture's name, so that another size, or one more cause, leaves the
others' draws alone: surveys with different sizes see the same bays.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from bench.digest import key_digest
from bench.geometry.camera import Camera
from bench.imaging.illumination import Highlight, Illumination
from bench.scene.imperfections import AS_DRAWN, Imperfections
from bench.solve.response import PLATE
from bench.targets.drawing import Drawing
from bench.typing import Array

# Light that turns dark or negative is no longer a careful workshop's: draws stop at these.
LEAST_LIGHT, LEAST_BLUR = 0.2, 0.2


@dataclass(frozen=True, eq=False)
class Sizes:
    """What bays are drawn from: the sizes of every cause, for one tower's camera.

    Attributes
    ----------
    modes : (P, K) float64
        Change of the camera's intrinsics by one standard deviation of each of K independent
        causes, see `bench.solve.response.CameraErrors`.
    print_scale, print_aspect : float
        Standard, of the print's size and of its height over its width, relative.
    flatness : float
        Limit of the plate's bow each way and twist at its corners, metres.
    imperfections : Imperfections
        Everything else.
    common : (3, K) float64
        Rotation of the whole camera frame, radians, that each mode seems to be: what a
        registration absorbs, see `bench.built.response.common_turn`.
    one : OneBay or None
        The one bay that all pictures are of; None draws a bay a trial.
    """

    modes: Array
    print_scale: float = 0.0
    print_aspect: float = 0.0
    flatness: float = 0.0
    imperfections: Imperfections = AS_DRAWN
    common: Array = field(default_factory=lambda: np.zeros((3, 0)))
    one: OneBay | None = None


@dataclass(frozen=True, eq=False)
class OneBay:
    """One bay's own imperfections.

    Attributes
    ----------
    name : str
        What its streams of random numbers are keyed by.
    camera : (K,) float64
        Of each mode, in standard deviations.
    scale, aspect : float
        Of the print, relative.
    plate : (3,) float64
        Bow across, bow up and twist at the corners, metres, out of the face.
    ink : float
        How far ink has run, metres.
    blur : float
        Of the lens, relative to the bay file's.
    blur_corner : float
        Beside it at the picture's corner, pixels; squares add.
    paper : int
        Seed of the paper's unevenness.
    """

    name: str
    camera: Array
    scale: float
    aspect: float
    plate: Array
    ink: float
    blur: float
    blur_corner: float
    paper: int

    @property
    def causes(self) -> Array:
        """The causes that displace points, in the order of `bench.built.response.responses`."""
        return np.array([*self.camera, self.scale, self.aspect, *self.plate, self.ink])

    def camera_of(self, camera: Camera, modes: Array) -> Camera:
        """Return the camera that takes its pictures, from the nominal one and its modes."""
        return camera.changed(modes @ self.camera)


@dataclass(frozen=True, eq=False)
class Moment:
    """Light and dirt of one picture.

    Attributes
    ----------
    level : float
        Of the light, relative to the bay file's.
    gradient : (float, float)
        Added to the light's, 1/m to the right and down.
    highlight : Highlight or None
        A reflection, if there is one.
    spots : (N, 3) float64
        Of dirt: x, y on the face, metres, and what the middle swallows.
    """

    level: float
    gradient: tuple[float, float]
    highlight: Highlight | None
    spots: Array

    def light(self, illumination: Illumination) -> Illumination:
        """Return the light of this picture, from the bay file's."""
        across, down = illumination.gradient
        return replace(
            illumination,
            level=illumination.level * self.level,
            gradient=(across + self.gradient[0], down + self.gradient[1]),
            highlight=self.highlight or illumination.highlight,
        )


def _streams(seed: int, name: str) -> Callable[[str], np.random.Generator]:
    def of(cause: str) -> np.random.Generator:
        sequence = np.random.SeedSequence([seed, key_digest(f"{name}|{cause}")])
        return np.random.default_rng(sequence)

    return of


@lru_cache(maxsize=512)
def draw_bay(sizes: Sizes, seed: int, name: str) -> OneBay:
    """Return the bay of a name: the same for the same seed, sizes and name."""
    if sizes.one is not None:
        return sizes.one
    of, more = _streams(seed, f"bay={name}"), sizes.imperfections
    return OneBay(
        name=name,
        camera=np.asarray(of("camera").standard_normal(sizes.modes.shape[1])),
        scale=sizes.print_scale * float(of("print scale").standard_normal()),
        aspect=sizes.print_aspect * float(of("print aspect").standard_normal()),
        plate=sizes.flatness * of("plate").uniform(-1.0, 1.0, len(PLATE)),
        ink=more.ink_spread * float(of("ink").uniform(-1.0, 1.0)),
        blur=max(1.0 + more.blur * float(of("blur").standard_normal()), LEAST_BLUR),
        blur_corner=more.blur_corner * float(of("blur corner").uniform(0.0, 1.0)),
        paper=int(of("paper").integers(2**63)),
    )


def draw_moment(sizes: Sizes, seed: int, key: str, drawing: Drawing) -> Moment:
    """Return light and dirt of the picture of a key on a target's face."""
    of, more = _streams(seed, f"moment={key}"), sizes.imperfections
    half = 0.5 * np.array([drawing.width, drawing.height])
    across, down = more.gradient * of("gradient").standard_normal(2)
    dirt = of("dirt")
    places = dirt.uniform(-1.0, 1.0, (int(dirt.poisson(more.dirt)), 2)) * half
    depths = more.dirt_depth * dirt.uniform(0.0, 1.0, len(places))
    spot, highlight = of("reflection"), None
    if spot.uniform() < more.reflection_share:
        x, y = spot.uniform(-1.0, 1.0, 2) * half
        highlight = Highlight(float(x), float(y), more.reflection_size, more.reflection_level)
    return Moment(
        level=max(1.0 + more.exposure * float(of("exposure").standard_normal()), LEAST_LIGHT),
        gradient=(float(across), float(down)),
        highlight=highlight,
        spots=np.column_stack((places, depths)),
    )
