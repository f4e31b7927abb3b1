"""A target in one line, as options of the command line take it: ``marker:36h11:0:200 mm``."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from bench.errors import BenchError, TargetError
from bench.targets.design import (
    BitmapDesign,
    CharucoDesign,
    ChessboardDesign,
    CirclesDesign,
    Design,
    GridDesign,
    MarkerDesign,
    build_target,
)
from bench.targets.target import Target
from bench.units import length

UPRIGHT, UPSIDE_DOWN = "upright", "upside-down"


@dataclass(frozen=True)
class Form:
    """How one kind of target is written: its fields in order, the last `optional` may lack."""

    fields: tuple[str, ...]
    optional: int
    design: Callable[..., Design]

    def takes(self, count: int) -> bool:
        """Tell whether so many fields follow the form."""
        return len(self.fields) - self.optional <= count <= len(self.fields)

    def usage(self, kind: str) -> str:
        """Return the form as shown to the user."""
        needed = len(self.fields) - self.optional
        text = ":".join((kind, *self.fields[:needed]))
        return text + "".join(f"[:{field}]" for field in self.fields[needed:])


def _marker(dictionary: str, marker_id: str, size: str, way: str = UPRIGHT) -> Design:
    half_turn = is_upside_down(way)
    return MarkerDesign(dictionary, integer("ID", marker_id), length(size), half_turn)


def _grid(
    dictionary: str, layout: str, size: str, gap: str, first: str = "0", way: str = UPRIGHT
) -> Design:
    columns, rows = layout_of(layout)
    first_id, half_turn = integer("FIRST_ID", first), is_upside_down(way)
    return GridDesign(dictionary, columns, rows, length(size), length(gap), first_id, half_turn)


def _charuco(dictionary: str, layout: str, square: str, marker: str, first: str = "0") -> Design:
    columns, rows = layout_of(layout)
    sizes = (length(square), length(marker))
    first_id = integer("FIRST_ID", first)
    return CharucoDesign(dictionary, columns, rows, *sizes, first_id)


def _circles(layout: str, pitch: str, diameter: str, pattern: str = "asymmetric") -> Design:
    sizes = (length(pitch), length(diameter))
    return CirclesDesign(*layout_of(layout), *sizes, is_symmetric(pattern))


def _chessboard(layout: str, square: str) -> Design:
    # the line says nothing of the margin, so the plate is the squares themselves
    return ChessboardDesign(*layout_of(layout), length(square), quiet_zone=0.0)


def _bitmap(picture: str, size: str) -> Design:
    return BitmapDesign(picture, length(size))


FORMS = {
    "marker": Form(("DICTIONARY", "ID", "SIZE", "WAY"), 1, _marker),
    "grid": Form(("DICTIONARY", "COLUMNSxROWS", "SIZE", "GAP", "FIRST_ID", "WAY"), 2, _grid),
    "charuco": Form(("DICTIONARY", "COLUMNSxROWS", "SQUARE", "MARKER", "FIRST_ID"), 1, _charuco),
    "circles": Form(("COLUMNSxROWS", "PITCH", "DIAMETER", "PATTERN"), 1, _circles),
    "chessboard": Form(("COLUMNSxROWS", "SQUARE"), 0, _chessboard),
    "bitmap": Form(("PICTURE", "WIDTH"), 0, _bitmap),
}


def target_from_spec(spec: str, kinds: tuple[str, ...] = tuple(FORMS)) -> Target:
    """Return the target that a line describes; form and errors as `design_from_spec`.

    >>> import bench
    >>> bench.target_from_spec("charuco:4x4_50:7x5:40 mm:30 mm").points.shape
    (24, 2)
    """
    design = design_from_spec(spec, kinds)
    with blamed_on(spec):
        return build_target(design)


def design_from_spec(spec: str, kinds: tuple[str, ...] = tuple(FORMS)) -> Design:
    """Return the design that a line describes.

    The line is a kind and its fields, joined by colons; lengths carry units::

        marker:36h11:0:200 mm
        grid:DICT_APRILTAG_36h11:3x2:80 mm:20 mm
        charuco:4x4_50:7x5:40 mm:30 mm
        circles:4x11:20 mm:15 mm:asymmetric
        chessboard:9x6:25 mm
        bitmap:sign.png:120 mm

    The WAY of a marker, or of a grid's, is ``upright``, as OpenCV draws it, or ``upside-down``:
    other projects' files of a family may have it so, and the target's axes follow the drawing.
    Columns and rows are of markers, chessboard squares (ChArUco), circles, and, for the plain
    chessboard, of inner corners.

    Parameters
    ----------
    spec : str
        The line.
    kinds : tuple of str
        Which kinds are allowed.

    Raises
    ------
    TargetError
        The line doesn't follow the form, or the design contradicts itself.
    """
    kind, fields = split_spec(spec, kinds)
    form = FORMS[kind]
    if not form.takes(len(fields)):
        raise TargetError(f"target '{spec}': must have the form {form.usage(kind)}")
    with blamed_on(spec):
        return form.design(*fields)


def split_spec(spec: str, kinds: tuple[str, ...]) -> tuple[str, list[str]]:
    """Return a line's kind and fields.

    Raises
    ------
    TargetError
        The kind isn't among `kinds`.
    """
    kind, *fields = (field.strip() for field in spec.split(":"))
    if kind not in kinds:
        raise TargetError(f"target '{spec}': the kind must be {' or '.join(kinds)}, got '{kind}'")
    return kind, fields


@contextmanager
def blamed_on(spec: str) -> Iterator[None]:
    """Turn any `BenchError` into a `TargetError` that names the line."""
    try:
        yield
    except BenchError as error:
        raise TargetError(f"target '{spec}': {error}") from error


def layout_of(text: str) -> tuple[int, int]:
    """Return columns and rows of ``"4x11"``; `TargetError` as `integer`."""
    columns, _, rows = text.lower().partition("x")
    return integer("COLUMNS", columns), integer("ROWS", rows)


def is_symmetric(pattern: str) -> bool:
    """Tell ``"symmetric"`` from ``"asymmetric"``; `TargetError` for anything else."""
    if pattern not in ("asymmetric", "symmetric"):
        raise TargetError(f"pattern must be asymmetric or symmetric, got '{pattern}'")
    return pattern == "symmetric"


def is_upside_down(way: str) -> bool:
    """Tell ``"upside-down"`` from ``"upright"``; `TargetError` for anything else."""
    if way not in (UPRIGHT, UPSIDE_DOWN):
        raise TargetError(f"WAY must be {UPRIGHT} or {UPSIDE_DOWN}, got '{way}'")
    return way == UPSIDE_DOWN


def integer(what: str, text: str) -> int:
    """Return a whole number; `TargetError` names `what` it should have been."""
    try:
        return int(text)
    except ValueError as error:
        raise TargetError(f"{what} must be a whole number, got '{text}'") from error
