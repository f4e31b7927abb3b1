"""Designs made to fill a plate, so that drawings of one plate size can be compared.

Every kind keeps white around what its detector looks for, by one rule each:

- a marker, alone or in a grid, has a white margin of one of its cells on every side, so that
  neighbours in a grid are two cells apart;
- a ChArUco board's markers have a margin of one cell within their squares, and the board one
  of their cells around it;
- circles are half as wide as the way to their nearest neighbour, so that black and white are
  equally wide, and have half a pitch of white around them.

Sizes are as large as the plate allows, rounded down to a tenth of a millimetre.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from bench.errors import TargetError
from bench.targets.charuco import CharucoDesign
from bench.targets.circles import CirclesDesign
from bench.targets.design import Design, build_target
from bench.targets.dictionary import dictionary as book_of
from bench.targets.grid import GridDesign
from bench.targets.marker import MarkerDesign
from bench.targets.plate import check_count, check_length, size_text
from bench.targets.spec import (
    FORMS,
    Form,
    blamed_on,
    design_from_spec,
    integer,
    is_symmetric,
    layout_of,
    split_spec,
)
from bench.targets.target import Target

STEP_M = 1e-4
# Smaller things neither print well nor show on a camera some metres away.
LEAST_M = 1e-3
# A size given as a decimal may be a hair below the step that it stands for.
HAIR = 1e-6
CIRCLE_SHARE = 0.5


@dataclass(frozen=True)
class Plate:
    """A plate to be filled: its size, metres, and its reflectances, see `PlateDesign`.

    Raises
    ------
    TargetError
        A side isn't a positive length.
    """

    width: float
    height: float
    white: float = 0.85
    black: float = 0.05
    background: float = 0.35

    def __post_init__(self) -> None:
        check_length("plate width", self.width)
        check_length("plate height", self.height)

    @classmethod
    def of(cls, target: Target) -> Plate:
        """Return the plate that a target is on."""
        drawing = target.drawing
        reflectances = [shape.reflectance for shape in drawing.shapes]
        return cls(
            drawing.width, drawing.height, reflectances[0], min(reflectances), drawing.background
        )

    @property
    def size(self) -> tuple[float, float]:
        """Width and height, metres."""
        return self.width, self.height

    @property
    def name(self) -> str:
        """Such as ``"260 x 260 mm"``."""
        return size_text(self.width, self.height)


def largest(plate: Plate, units: tuple[float, float], what: str) -> float:
    """Return the largest size, metres, of which `units` fit across and down the plate.

    Raises
    ------
    TargetError
        It is below a millimetre.
    """
    size = min(plate.width / units[0], plate.height / units[1])
    steps = math.floor(size / STEP_M + HAIR)
    if steps * STEP_M < LEAST_M * (1.0 - HAIR):
        raise TargetError(
            f"doesn't fit the plate of {plate.name}: {what} would be below {1e3 * LEAST_M:g} mm"
        )
    return steps / round(1.0 / STEP_M)


def _marker(plate: Plate, dictionary: str, marker_id: str) -> Design:
    book = book_of(dictionary)
    whole = (book.width + 2.0) / book.cells
    size = largest(plate, (whole, whole), "the marker")
    return MarkerDesign(dictionary, integer("ID", marker_id), size)


def _grid(plate: Plate, dictionary: str, layout: str, first: str = "0") -> Design:
    columns, rows = _counts(layout, 1)
    book = book_of(dictionary)
    cells, whole = book.cells, (book.width + 2.0) / book.cells
    size = largest(plate, (columns * whole, rows * whole), "a marker")
    return GridDesign(
        dictionary, columns, rows, size, 2.0 * size / cells, integer("FIRST_ID", first)
    )


def _charuco(plate: Plate, dictionary: str, layout: str, first: str = "0") -> Design:
    columns, rows = _counts(layout, 2)
    cells = book_of(dictionary).cells
    share = cells / (cells + 2.0)  # of a square that is its marker's
    around = 2.0 * share / cells
    square = largest(plate, (columns + around, rows + around), "a square")
    return CharucoDesign(
        dictionary, columns, rows, square, share * square, integer("FIRST_ID", first)
    )


def _circles(plate: Plate, layout: str, pattern: str = "asymmetric") -> Design:
    columns, rows = _counts(layout, 2)
    symmetric = is_symmetric(pattern)
    # in pitches: from the first centre to the last, and the way to the nearest neighbour
    across, nearest = (columns - 1, 1.0) if symmetric else (2 * columns - 1, math.sqrt(2.0))
    around = 1.0 + CIRCLE_SHARE * nearest
    pitch = largest(plate, (across + around, rows - 1 + around), "the pitch")
    return CirclesDesign(columns, rows, pitch, CIRCLE_SHARE * nearest * pitch, symmetric)


# How a drawing without sizes is written.
FILLINGS = {
    "marker": Form(("DICTIONARY", "ID"), 0, _marker),
    "grid": Form(("DICTIONARY", "COLUMNSxROWS", "FIRST_ID"), 1, _grid),
    "charuco": Form(("DICTIONARY", "COLUMNSxROWS", "FIRST_ID"), 1, _charuco),
    "circles": Form(("COLUMNSxROWS", "PATTERN"), 1, _circles),
}


def design_on_plate(spec: str, plate: Plate) -> Design:
    """Return the design that a line describes, on a plate.

    A line as `bench.targets.spec` takes it keeps its sizes; one without any fills the plate::

        marker:36h11:0
        grid:36h11:2x2
        charuco:4x4_50:5x5
        circles:5x5:symmetric

    Raises
    ------
    TargetError
        The line has neither form, or its drawing doesn't fit the plate.
    """
    kind, fields = split_spec(spec, tuple(FILLINGS))
    filling = FILLINGS[kind]
    if filling.takes(len(fields)):
        with blamed_on(spec):
            bare = filling.design(plate, *fields)
    elif FORMS[kind].takes(len(fields)):
        bare = design_from_spec(spec)
    else:
        raise TargetError(
            f"target '{spec}': must have the form {filling.usage(kind)}, which fills the plate, "
            f"or {FORMS[kind].usage(kind)}"
        )
    paints = {name: getattr(plate, name) for name in ("white", "black", "background")}
    with blamed_on(spec):
        design = dataclasses.replace(bare, plate=plate.size, **paints)
        build_target(design)  # refuses what doesn't fit
    return design


def _counts(layout: str, least: int) -> tuple[int, int]:
    columns, rows = layout_of(layout)
    check_count("columns", columns, least)
    check_count("rows", rows, least)
    return columns, rows
