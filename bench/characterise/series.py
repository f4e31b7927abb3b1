"""Picture files sorted into series: repeats of one scene, flat and dark frames, single views."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from bench.errors import ConfigError, PictureError
from bench.geometry.camera import Camera
from bench.imaging.picture import Picture, Region
from bench.imaging.read import read_picture

Kind = Literal["repeats", "dark", "flat", "view"]
LEAST_REPEATS = 8
NUMBER = re.compile(r"[-_ .]*\d+$")
SIDE_PX = 256  # of dark and flat frames, what is looked at in the middle


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
    """
    groups: dict[tuple[Path, str], list[Path]] = {}
    for path in paths:
        groups.setdefault((path.parent, NUMBER.sub("", path.stem)), []).append(path)
    found = []
    for (folder, stem), members in groups.items():
        name = stem or folder.name or "frames"
        start = name.lower()
        if start.startswith(("dark", "flat")):
            kind: Kind = "dark" if start.startswith("dark") else "flat"
            found.append(Series(name, kind, tuple(members)))
        elif len(members) >= LEAST_REPEATS:
            found.append(Series(name, "repeats", tuple(members)))
        else:
            found += [Series(path.stem, "view", (path,)) for path in members]
    return found


def read_frame(path: Path, camera: Camera, bits: int) -> Picture:
    """Return a picture of this camera at its bit depth.

    Raises
    ------
    PictureError
        It can't be read, or has another size.
    ConfigError
        It is brighter than the bits allow.
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


def middle_of(camera: Camera) -> Region:
    """Return the middle of the frame, which dark and flat frames are looked at in."""
    width, height = min(SIDE_PX, camera.width), min(SIDE_PX, camera.height)
    return Region((camera.width - width) // 2, (camera.height - height) // 2, width, height)


def check_alike(series: Sequence[Series]) -> None:
    """Raise `PictureError` where there are no repeats to learn noise from."""
    if not any(one.kind in ("repeats", "flat") for one in series):
        raise PictureError(
            f"no series of {LEAST_REPEATS} or more repeats (name-01.png, name-02.png, …): noise "
            "can't be told from single pictures; 'sightbench characterise --sheet' says what to "
            "take"
        )


def held_from(count: int) -> int:
    """Return from which frame on repeats are held back: the last third, four at least."""
    return count - max(count // 3, 4)
