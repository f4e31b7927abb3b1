"""Picture files sorted into series, read, and cut to the part with the target."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Literal

import numpy as np
from PIL import Image

from bench.characterise.faces import MARGIN_PX, crop, find_pose
from bench.characterise.known import proportional
from bench.characterise.stack import Stack, odd_frame, reduce_stack
from bench.detect.observation import Observation
from bench.errors import ConfigError, GeometryError, PictureError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.imaging.model import Imaging
from bench.imaging.picture import Picture, Region
from bench.imaging.processing import Curve
from bench.imaging.read import DEPTHS, read_picture
from bench.imaging.region import region_of
from bench.solve.pipeline import Pipeline
from bench.targets.target import Target

Kind = Literal["repeats", "dark", "flat", "view"]
LEAST_REPEATS = 8
NUMBER = re.compile(r"[-_ .]*\d+$")
SIDE_PX = 256  # of dark and flat frames, what is looked at in the middle
SAME_PLACE_PX, MOST_MOVED_PX = 1.0, 2.0
CUT_OFF = 100  # pixels that are the brightest of all: chance has a few


class NotFoundError(PictureError):
    """A picture doesn't show the target."""


@dataclass(frozen=True)
class Series:
    """Pictures taken one after the other."""

    name: str
    kind: Kind
    paths: tuple[Path, ...]


def series_of(paths: Sequence[Path]) -> list[Series]:
    """Return series by folder and by name up to a last number: ``near-01.png``, ``near-02.png``.

    Names that begin with dark or flat are such frames; eight or more of others are repeats of a
    scene that didn't move; fewer are views, each its own.

    Raises
    ------
    PictureError
        There are no repeats to learn noise from.
    """
    groups: dict[tuple[Path, str], list[Path]] = {}
    for path in paths:
        groups.setdefault((path.parent, NUMBER.sub("", path.stem)), []).append(path)
    found = []
    for (folder, stem), members in groups.items():
        name = stem or folder.name or "frames"
        kind: Kind | None = "repeats" if len(members) >= LEAST_REPEATS else None
        if name.lower().startswith(("dark", "flat")):
            kind = "dark" if name.lower().startswith("dark") else "flat"
        if kind is None:
            found += [Series(path.stem, "view", (path,)) for path in members]
        else:
            found.append(Series(name, kind, tuple(members)))
    if not any(one.kind in ("repeats", "flat") for one in found):
        raise PictureError(
            f"no series of {LEAST_REPEATS} or more repeats (name-01.png, name-02.png, …): noise "
            "can't be told from single pictures; 'sightbench characterise --sheet' says what to "
            "take"
        )
    return found


def file_notes(paths: Sequence[Path]) -> list[str]:
    """Return what picture files say of what was done to the pictures."""
    told = set()
    for path in paths:
        with suppress(OSError), Image.open(path) as head:
            if head.format in ("JPEG", "WEBP"):
                told.add(f"{head.format} files are compressed with loss, noise first")
            if head.mode.startswith(("RGB", "CMYK", "YCbCr", "P")):
                told.add("colour pictures: grey is mixed from what a mosaic's pixels interpolate")
    return [f"{words}; raw grey pictures tell more" for words in sorted(told)]


@dataclass(frozen=True, eq=False)
class Setup:
    """What is known before: the data sheet's camera, the target, and what to run.

    Of pipelines, which are judged, the first that finds the target gives the start; the seed is
    that of rendered repeats; a camera that is held against pictures `as_said` isn't measured.
    """

    camera: Camera
    imaging: Imaging
    target: Target
    pipelines: tuple[Pipeline, ...]
    seed: int
    as_said: bool = False

    def pose_in(self, picture: Picture) -> Pose | None:
        """Return where the target is, by the first pipeline that finds it."""
        return find_pose(Observation(picture, self.camera, self.target), self.pipelines)


@dataclass(frozen=True, eq=False)
class Shot:
    """A series as it was read: the part of its frames that shows the target."""

    series: Series
    pictures: list[Picture]
    pose: Pose | None

    @property
    def repeated(self) -> bool:
        """Whether it is repeats of a scene."""
        return self.series.kind == "repeats"

    @property
    def fitted(self) -> int:
        """How many frames aren't held back: of repeats all but a third, four at least."""
        count = len(self.pictures)
        return count - max(count // 3, 4) if self.repeated else count

    def stack(self, curve: Curve | None = None) -> Stack:
        """Return the frames that aren't held back, reduced, a response curve undone."""
        used = [proportional(picture, curve) for picture in self.pictures[: self.fitted]]
        grey = np.stack([picture.grey for picture in used])
        return reduce_stack(self.series.name, grey, used[0].full_scale, (used[0].u0, used[0].v0))


def read_frame(path: Path, camera: Camera, bits: int) -> Picture:
    """Return a picture of this camera at its bit depth.

    Raises
    ------
    PictureError, ConfigError
        It can't be read, or has another size; it is brighter than the bits allow.
    """
    picture = read_picture(path, camera)
    if picture.grey.dtype == np.uint8 and bits > 8:
        raise ConfigError(
            f"{path}: has 8 bits, but camera.sensor.bit_depth is {bits}: save all bits, or say 8"
        )
    full, brightest = (1 << bits) - 1, int(picture.grey.max())
    if brightest > full:
        raise ConfigError(
            f"{path}: has grey value {brightest}, but camera.sensor.bit_depth is {bits}: at most "
            f"{full}; of a camera that shifts its bits up say 16"
        )
    return Picture(picture.grey, full_scale=full)


def read_shot(one: Series, setup: Setup, before: list[Shot]) -> Shot:
    """Return a series' frames, cut to its target, where an unmoved one before it had it.

    Raises
    ------
    PictureError, ConfigError
        A picture can't be read, doesn't show the target, or isn't the repeat that it is named.
    """
    bits, camera = setup.imaging.sensor.bit_depth, setup.camera
    first, pose = read_frame(one.paths[0], camera, bits), None
    width, height = min(SIDE_PX, camera.width), min(SIDE_PX, camera.height)
    region: Region | None = Region(
        (camera.width - width) // 2, (camera.height - height) // 2, width, height
    )
    if one.kind in ("repeats", "view"):
        pose = setup.pose_in(first)
        region = _region(pose, before, setup)
    if region is None:
        brightest = int(first.grey.max())
        dark = f": its brightest pixel has {brightest} of {first.full_scale}, by bit_depth {bits}"
        raise NotFoundError(
            f"{one.paths[0]}: {setup.target.name} isn't found in it"
            + (dark if brightest < first.full_scale / 4 else "")
        )
    rest = (read_frame(path, camera, bits) for path in one.paths[1:])
    pictures = [crop(picture, region) for picture in chain([first], rest)]
    if one.kind == "repeats":
        _check_repeats(one, pictures, pose, setup)
    return Shot(one, pictures, pose)


def _check_repeats(one: Series, pictures: list[Picture], pose: Pose | None, setup: Setup) -> None:
    """Raise `PictureError` unless pictures are repeats of one scene, each taken anew."""
    end = None if pose is None else setup.pose_in(pictures[-1])
    odd = odd_frame(np.stack([picture.grey for picture in pictures]))
    if pose is not None and (end is None or _apart_px(pose, end, setup) > MOST_MOVED_PX):
        odd = len(pictures) - 1
    if odd is not None:
        other = one.paths[0 if odd else 1].name
        raise PictureError(
            f"{one.paths[odd]}: isn't a repeat of {other}: the target isn't within "
            f"{MOST_MOVED_PX:g} px of where it was, or something else changed; leave it out, or "
            "give views names of their own"
        )
    seen: dict[bytes, Path] = {}
    for path, picture in zip(one.paths, pictures, strict=True):
        twin = seen.setdefault(picture.grey.tobytes(), path)
        if twin != path:
            raise PictureError(f"{path}: is {twin.name} again: a copy says nothing of noise")


def check_bits(shots: Sequence[Shot], bits: int) -> None:
    """Raise `ConfigError` where all grey values end at the white of fewer bits than are said."""
    every = [picture.grey for shot in shots for picture in shot.pictures]
    brightest = max(int(grey.max()) for grey in every)
    alike = sum(np.count_nonzero(grey == brightest) for grey in every)
    for fewer in (8, *DEPTHS):
        if fewer < bits and brightest == (1 << fewer) - 1 and alike > CUT_OFF:
            raise ConfigError(
                f"camera.sensor.bit_depth: is {bits}, but pictures are cut off at {brightest}, "
                f"the white of {fewer} bits: say {fewer}"
            )


def _apart_px(first: Pose, second: Pose, setup: Setup) -> float:
    """Return how far the plate's corners are apart in the picture, pixels, at most."""
    outline = setup.target.drawing.outline
    corners = np.column_stack((outline, np.zeros(len(outline))))
    try:
        ends = [project(corners, pose, setup.camera) for pose in (first, second)]
    except GeometryError:
        return math.inf
    return float(np.max(np.abs(ends[0] - ends[1])))


def _region(pose: Pose | None, before: list[Shot], setup: Setup) -> Region | None:
    """Return the part that shows the target; that of an earlier series where it stands alike."""
    earlier = [(s.pose, s.pictures[0].region) for s in before if s.repeated and s.pose is not None]
    if pose is None:  # too bright to be found: it stands where it stood
        return earlier[-1][1] if earlier else None
    for start, region in earlier:
        if _apart_px(pose, start, setup) < SAME_PLACE_PX:
            return region
    try:
        return region_of(setup.target.drawing, pose, setup.camera, MARGIN_PX)
    except GeometryError:
        return None
