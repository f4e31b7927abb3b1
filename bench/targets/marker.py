"""A single marker on a plate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.digest import later
from bench.targets.dictionary import Dictionary, check_ids, dictionary, marker_cells
from bench.targets.outline import marker_areas
from bench.targets.plate import PlateDesign, check_length, drawing_on_plate
from bench.targets.target import Target
from bench.typing import Array, BoolArray

# Behind the name of a target that is drawn so.
HALF_TURN = ", upside down"


@dataclass(frozen=True)
class MarkerDesign(PlateDesign):
    """A single marker; its default quiet zone is one cell.

    Attributes
    ----------
    dictionary : str
        Name or alias, see `bench.targets.dictionary`.
    marker_id : int
        Which marker of it.
    size : float
        Side of the black square, metres; in AprilTag families with data outside the border, of
        the square between the corners.
    half_turn : bool
        Whether it is drawn upside down against OpenCV's picture of it, as other projects' files
        of the same family may have it: the target's axes stay those of the drawing.

    Raises
    ------
    TargetError
        A field is out of its limits, or the id isn't in the dictionary.
    """

    dictionary: str = "DICT_APRILTAG_36h11"
    marker_id: int = 0
    size: float = 0.2
    half_turn: bool = later(False)

    def __post_init__(self) -> None:
        self.check_plate()
        check_length("size", self.size)
        check_ids(dictionary(self.dictionary), self.marker_id)


def marker_corners(centre: tuple[float, float], size: float) -> Array:
    """Return a marker's corners (4, 2): top left, top right, bottom right, bottom left."""
    x, y, h = *centre, 0.5 * size
    return np.array([[x - h, y + h], [x + h, y + h], [x + h, y - h], [x - h, y - h]])


def printed_size(book: Dictionary, size: float) -> float:
    """Return the side of all that is printed of a marker whose corners are `size` apart."""
    return size * book.width / book.cells if book.outside else size


def turned(cells: BoolArray, corners: Array) -> tuple[BoolArray, Array]:
    """Return a marker's cells and corners (4, 2), its own top left first, drawn upside down."""
    return np.rot90(cells, 2), np.roll(corners, 2, axis=0)


def is_turned(corners: Array) -> bool:
    """Tell whether the marker of these corners (4, 2) is drawn upside down."""
    return bool(corners[0, 1] < corners[2, 1])


def build_marker(design: MarkerDesign) -> Target:
    """Return the target of a single-marker design.

    Raises
    ------
    TargetError
        The plate is smaller than the marker with its quiet zone.
    """
    book = dictionary(design.dictionary)
    cells = marker_cells(design.dictionary, design.marker_id)
    corners = marker_corners((0.0, 0.0), design.size)
    if design.half_turn:
        cells, corners = turned(cells, corners)
    size = design.size
    cell, printed = size / book.cells, printed_size(book, size)
    areas = marker_areas(cells, (0.0, 0.0), printed, design.white, design.black)
    return Target(
        name=f"marker {book.short_name}-{design.marker_id}, {1000 * size:.6g} mm"
        + HALF_TURN * design.half_turn,
        kind="marker",
        drawing=drawing_on_plate(design, (printed, printed), cell, areas),
        dictionary=book.name,
        markers={design.marker_id: corners},
        marker_size=size,
        reach=book.outside * cell,
    )
