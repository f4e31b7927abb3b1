"""A grid of markers, laid out as OpenCV's `GridBoard`."""

from __future__ import annotations

from dataclasses import dataclass

from bench.digest import later
from bench.targets.dictionary import check_ids, dictionary, marker_cells
from bench.targets.drawing import Area
from bench.targets.marker import HALF_TURN, marker_corners, printed_size, turned
from bench.targets.outline import marker_areas
from bench.targets.plate import PlateDesign, check_count, check_length, drawing_on_plate
from bench.targets.target import Target


@dataclass(frozen=True)
class GridDesign(PlateDesign):
    """Markers in rows and columns; the default quiet zone is one marker cell.

    Attributes
    ----------
    dictionary : str
        Name or alias, see `bench.targets.dictionary`.
    columns, rows : int
        Of markers.
    size : float
        Side of a marker's black square, metres; see `bench.targets.marker.MarkerDesign`.
    gap : float
        White between neighbouring markers as they are printed, metres.
    first_id : int
        Of the top left marker; ids run on row by row.
    half_turn : bool
        Whether each marker is drawn upside down, see `bench.targets.marker.MarkerDesign`.

    Raises
    ------
    TargetError
        A field is out of its limits, or the ids don't fit the dictionary.
    """

    dictionary: str = "DICT_APRILTAG_36h11"
    columns: int = 3
    rows: int = 2
    size: float = 0.08
    gap: float = 0.02
    first_id: int = 0
    half_turn: bool = later(False)

    def __post_init__(self) -> None:
        self.check_plate()
        check_count("columns", self.columns, 1)
        check_count("rows", self.rows, 1)
        check_length("size", self.size)
        check_length("gap", self.gap, least=0.0)
        check_ids(dictionary(self.dictionary), self.first_id, self.columns * self.rows)


def build_grid(design: GridDesign) -> Target:
    """Return the target of a marker grid.

    Raises
    ------
    TargetError
        The plate is smaller than the grid with its quiet zone.
    """
    book = dictionary(design.dictionary)
    size = design.size
    cell, printed = size / book.cells, printed_size(book, size)
    pitch = printed + design.gap
    width = design.columns * pitch - design.gap
    height = design.rows * pitch - design.gap
    areas: list[Area] = []
    corners = {}
    for index in range(design.columns * design.rows):
        row, column = divmod(index, design.columns)
        centre = (
            -0.5 * width + 0.5 * printed + column * pitch,
            0.5 * height - 0.5 * printed - row * pitch,
        )
        marker_id = design.first_id + index
        cells, own = marker_cells(design.dictionary, marker_id), marker_corners(centre, size)
        if design.half_turn:
            cells, own = turned(cells, own)
        areas += marker_areas(cells, centre, printed, design.white, design.black)
        corners[marker_id] = own
    return Target(
        name=f"grid {book.short_name} {design.columns} x {design.rows}, {1000 * size:.6g} mm"
        + HALF_TURN * design.half_turn,
        kind="grid",
        drawing=drawing_on_plate(design, (width, height), cell, tuple(areas)),
        dictionary=book.name,
        markers=corners,
        layout=(design.columns, design.rows),
        pitch=pitch,
        marker_size=size,
        reach=book.outside * cell,
    )
