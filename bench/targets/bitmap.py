"""Any black and white picture as a target, for pipelines of one's own.

Its pixels are cells of exact size, drawn as the outlines of connected black patches, so that
nothing is resampled and no seam shows. Rows and columns that repeat are one lattice line, so that
a marker saved with a hundred pixels a cell is drawn by its cells.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from PIL import Image

from bench.errors import RunError, TargetError
from bench.files import read_file
from bench.parsing import whole_pictures
from bench.targets.drawing import Area
from bench.targets.marker import marker_corners
from bench.targets.outline import cell_rings
from bench.targets.plate import PlateDesign, check_length, drawing_on_plate
from bench.targets.target import Target
from bench.typing import Array, BoolArray

MAX_PIXELS = 20_000_000
MAX_BYTES = 20_000_000
# Sides between black and white cells: a picture of the rasteriser takes some 0.1 s, and finding
# the outlines a second.
MAX_SIDES = 20_000
MODES = ("1", "L", "LA", "P", "RGB", "RGBA")
# Of the picture's shorter side, where nothing else is said: a detector needs light around dark.
QUIET = 0.1


@dataclass(frozen=True)
class BitmapDesign(PlateDesign):
    """A black and white picture; its default quiet zone is a tenth of its shorter side.

    Attributes
    ----------
    picture : str
        Path of the file; transparent pixels are white, as paper is.
    size : float
        Width of the picture on the plate, metres; its pixels are square.

    Raises
    ------
    TargetError
        A field is out of its limits, or the file isn't a black and white picture.
    """

    picture: str
    size: float = 0.2

    def __post_init__(self) -> None:
        self.check_plate()
        check_length("size", self.size)
        bitmap_cells(self.picture)


@cache
def bitmap_cells(path: str) -> BoolArray:
    """Return a picture's pixels (H, W), True where white.

    Raises
    ------
    TargetError
        The file can't be read, or has more than two grey values, one, or too many pixels.
    """
    try:
        content = read_file(Path(path), MAX_BYTES)
    except FileNotFoundError as error:
        raise TargetError(f"{path}: no such picture") from error
    except RunError as error:
        raise TargetError(str(error)) from error
    grey = _grey(path, content)
    levels = np.unique(grey)
    if len(levels) != 2:
        how_many = f"{len(levels)} grey values" if len(levels) > 1 else "one grey value alone"
        raise TargetError(
            f"{path}: a bitmap target must be black and white, two grey values, and has {how_many}"
        )
    return np.asarray(grey == levels[1])


def _grey(path: str, content: bytes) -> np.ndarray:
    """Return grey values (H, W), white where the picture is transparent."""
    try:
        with whole_pictures(), Image.open(io.BytesIO(content)) as image:
            width, height = image.size
            if width * height > MAX_PIXELS:
                raise TargetError(
                    f"{path}: {width} x {height} pixels are more than {MAX_PIXELS:,} allowed"
                )
            if image.mode not in MODES:
                raise TargetError(f"{path}: a bitmap target must have 1 or 8 bits a channel")
            rgba = np.asarray(image.convert("RGBA"))
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise TargetError(f"{path}: not a picture that can be read; use PNG") from error
    grey = rgba[..., :3].max(axis=2)
    if np.any(grey != rgba[..., :3].min(axis=2)):
        raise TargetError(f"{path}: a bitmap target must be black and white, and has colours")
    return np.where(rgba[..., 3] < 128, np.uint8(255), grey)


def build_bitmap(design: BitmapDesign) -> Target:
    """Return the target of a picture.

    Its points are the picture's corners: top left, top right, bottom right, bottom left.

    Raises
    ------
    TargetError
        The plate is smaller than the picture with its quiet zone, or black and white meet too
        often.
    """
    white = bitmap_cells(design.picture)
    rows, columns = white.shape
    pixel = design.size / columns
    size = (design.size, rows * pixel)
    cells, x, y = _lattice(white)
    padded = np.pad(~cells, 1)
    sides = int(np.sum(padded[1:] != padded[:-1]) + np.sum(padded[:, 1:] != padded[:, :-1]))
    if sides > MAX_SIDES:
        raise TargetError(
            f"{design.picture}: black and white cells meet along {sides:,} sides, at most "
            f"{MAX_SIDES:,} can be drawn"
        )
    x, y = x * pixel - 0.5 * size[0], 0.5 * size[1] - y[::-1] * pixel
    rings = tuple(np.column_stack((x[r[:, 0]], y[r[:, 1]])) for r in cell_rings(~cells))
    shapes = (Area(rings, design.black, design.white),)
    name = Path(design.picture).name
    return Target(
        name=f"bitmap {name}, {1000 * design.size:.6g} mm",
        kind="bitmap",
        drawing=drawing_on_plate(design, size, QUIET * min(size), shapes),
        points=marker_corners((0.0, 0.0), 1.0) * size,
        layout=(columns, rows),
        pitch=pixel,
        bitmap=tuple("".join("01"[int(w)] for w in row) for row in white),
    )


def _lattice(white: BoolArray) -> tuple[BoolArray, Array, Array]:
    """Return cells whose neighbouring rows and columns differ, and the lines between them.

    Lines are counted in pixels, from the left and from the top.
    """
    rows, columns = white.shape
    down = np.flatnonzero(np.any(white[1:] != white[:-1], axis=1)) + 1
    across = np.flatnonzero(np.any(white[:, 1:] != white[:, :-1], axis=0)) + 1
    y, x = np.concatenate(([0], down, [rows])), np.concatenate(([0], across, [columns]))
    return white[np.ix_(y[:-1], x[:-1])], x.astype(np.float64), y.astype(np.float64)
