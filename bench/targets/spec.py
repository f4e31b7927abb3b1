"""A target in one line, as options of the command line take it: ``marker:36h11:0:200 mm``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from bench.errors import BenchError, TargetError
from bench.targets.charuco import CharucoDesign, build_charuco
from bench.targets.chessboard import ChessboardDesign, build_chessboard
from bench.targets.circles import CirclesDesign, build_circles
from bench.targets.grid import GridDesign, build_grid
from bench.targets.marker import MarkerDesign, build_marker
from bench.targets.target import Target
from bench.units import length


@dataclass(frozen=True)
class Form:
    """How one kind of target is written: its fields in order, the last `optional` may lack."""

    fields: tuple[str, ...]
    optional: int
    build: Callable[..., Target]

    def usage(self, kind: str) -> str:
        """Return the form as shown to the user."""
        needed = len(self.fields) - self.optional
        text = ":".join((kind, *self.fields[:needed]))
        return text + "".join(f"[:{field}]" for field in self.fields[needed:])


def _marker(dictionary: str, marker_id: str, size: str) -> Target:
    return build_marker(MarkerDesign(dictionary, _integer("ID", marker_id), length(size)))


def _grid(dictionary: str, layout: str, size: str, gap: str, first: str = "0") -> Target:
    columns, rows = _layout(layout)
    first_id = _integer("FIRST_ID", first)
    return build_grid(GridDesign(dictionary, columns, rows, length(size), length(gap), first_id))


def _charuco(dictionary: str, layout: str, square: str, marker: str, first: str = "0") -> Target:
    columns, rows = _layout(layout)
    sizes = (length(square), length(marker))
    first_id = _integer("FIRST_ID", first)
    return build_charuco(CharucoDesign(dictionary, columns, rows, *sizes, first_id))


def _circles(layout: str, pitch: str, diameter: str, pattern: str = "asymmetric") -> Target:
    if pattern not in ("asymmetric", "symmetric"):
        raise TargetError(f"pattern must be asymmetric or symmetric, got '{pattern}'")
    sizes = (length(pitch), length(diameter))
    return build_circles(CirclesDesign(*_layout(layout), *sizes, pattern == "symmetric"))


def _chessboard(layout: str, square: str) -> Target:
    # the line says nothing of the margin, so the plate is the squares themselves
    return build_chessboard(ChessboardDesign(*_layout(layout), length(square), quiet_zone=0.0))


FORMS = {
    "marker": Form(("DICTIONARY", "ID", "SIZE"), 0, _marker),
    "grid": Form(("DICTIONARY", "COLUMNSxROWS", "SIZE", "GAP", "FIRST_ID"), 1, _grid),
    "charuco": Form(("DICTIONARY", "COLUMNSxROWS", "SQUARE", "MARKER", "FIRST_ID"), 1, _charuco),
    "circles": Form(("COLUMNSxROWS", "PITCH", "DIAMETER", "PATTERN"), 1, _circles),
    "chessboard": Form(("COLUMNSxROWS", "SQUARE"), 0, _chessboard),
}


def target_from_spec(spec: str, kinds: tuple[str, ...] = tuple(FORMS)) -> Target:
    """Return the target that a line describes.

    The line is a kind and its fields, joined by colons; lengths carry units::

        marker:36h11:0:200 mm
        grid:DICT_APRILTAG_36h11:3x2:80 mm:20 mm
        charuco:4x4_50:7x5:40 mm:30 mm
        circles:4x11:20 mm:15 mm:asymmetric
        chessboard:9x6:25 mm

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
    kind, *fields = (field.strip() for field in spec.split(":"))
    if kind not in kinds:
        raise TargetError(f"target '{spec}': the kind must be {' or '.join(kinds)}, got '{kind}'")
    form = FORMS[kind]
    if not len(form.fields) - form.optional <= len(fields) <= len(form.fields):
        raise TargetError(f"target '{spec}': must have the form {form.usage(kind)}")
    try:
        return form.build(*fields)
    except BenchError as error:
        raise TargetError(f"target '{spec}': {error}") from error


def _layout(text: str) -> tuple[int, int]:
    columns, _, rows = text.lower().partition("x")
    return _integer("COLUMNS", columns), _integer("ROWS", rows)


def _integer(what: str, text: str) -> int:
    try:
        return int(text)
    except ValueError as error:
        raise TargetError(f"{what} must be a whole number, got '{text}'") from error
