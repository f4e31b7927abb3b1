"""A single marker on a plate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.targets.dictionary import check_ids, dictionary, marker_cells
from bench.targets.outline import marker_areas
from bench.targets.plate import PlateDesign, check_length, drawing_on_plate
from bench.targets.target import Target
from bench.typing import Array


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
        Side of the black square, metres.

    Raises
    ------
    TargetError
        A field is out of its limits, or the id isn't in the dictionary.
    """

    dictionary: str = "DICT_APRILTAG_36h11"
    marker_id: int = 0
    size: float = 0.2

    def __post_init__(self) -> None:
        self.check_plate()
        check_length("size", self.size)
        check_ids(dictionary(self.dictionary), self.marker_id)


def marker_corners(centre: tuple[float, float], size: float) -> Array:
    """Return a marker's corners (4, 2): top left, top right, bottom right, bottom left."""
    x, y, h = *centre, 0.5 * size
    return np.array([[x - h, y + h], [x + h, y + h], [x + h, y - h], [x - h, y - h]])


def build_marker(design: MarkerDesign) -> Target:
    """Return the target of a single-marker design.

    Raises
    ------
    TargetError
        The plate is smaller than the marker with its quiet zone.
    """
    book = dictionary(design.dictionary)
    cells = marker_cells(design.dictionary, design.marker_id)
    areas = marker_areas(cells, (0.0, 0.0), design.size, design.white, design.black)
    size = design.size
    return Target(
        name=f"marker {book.short_name}-{design.marker_id}, {1000 * size:.6g} mm",
        kind="marker",
        drawing=drawing_on_plate(design, (size, size), size / book.cells, areas),
        dictionary=book.name,
        markers={design.marker_id: marker_corners((0.0, 0.0), size)},
        marker_size=size,
    )
