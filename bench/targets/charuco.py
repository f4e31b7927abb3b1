"""A chessboard with markers in its white squares, laid out as OpenCV's `CharucoBoard`.

The layout is that of OpenCV 4.6 and later (`setLegacyPattern(False)`): the top left square is
black whatever the number of rows. Before, it was white where rows are even.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.digest import later
from bench.errors import TargetError
from bench.targets.dictionary import check_ids, dictionary, marker_cells
from bench.targets.drawing import Area
from bench.targets.marker import marker_corners
from bench.targets.outline import marker_areas, rectangle
from bench.targets.plate import PlateDesign, check_count, check_length, drawing_on_plate
from bench.targets.target import Target


@dataclass(frozen=True)
class CharucoDesign(PlateDesign):
    """A ChArUco board; the default quiet zone is one marker cell.

    Attributes
    ----------
    dictionary : str
        Name or alias, see `bench.targets.dictionary`.
    columns, rows : int
        Of chessboard squares.
    square, marker : float
        Sides of a chessboard square and of a marker's black square, metres.
    first_id : int
        Of the first marker; ids run on row by row from the top left.
    legacy : bool
        Whether it is drawn as OpenCV did before 4.6.

    Raises
    ------
    TargetError
        A field is out of its limits, or the ids don't fit the dictionary.
    """

    dictionary: str = "DICT_4X4_50"
    columns: int = 7
    rows: int = 5
    square: float = 0.04
    marker: float = 0.03
    first_id: int = 0
    legacy: bool = later(False)

    def __post_init__(self) -> None:
        self.check_plate()
        # 2 x 2 has a single inner corner, which gives no pose, but OpenCV takes it as a board
        check_count("columns", self.columns, 2)
        check_count("rows", self.rows, 2)
        check_length("square", self.square)
        check_length("marker", self.marker)
        if not self.marker < self.square:
            raise TargetError(
                f"marker must be smaller than its square, got {1000 * self.marker:.6g} mm "
                f"in {1000 * self.square:.6g} mm"
            )
        book = dictionary(self.dictionary)
        if book.outside:
            raise TargetError(f"ChArUco boards are OpenCV's, which doesn't read {book.name}")
        check_ids(book, self.first_id, self.columns * self.rows // 2)


def build_charuco(design: CharucoDesign) -> Target:
    """Return the target of a ChArUco board.

    Raises
    ------
    TargetError
        The plate is smaller than the board with its quiet zone.
    """
    book = dictionary(design.dictionary)
    square = design.square
    # lattice lines, so that neighbouring squares share their corners to the last bit
    x = (np.arange(design.columns + 1) - 0.5 * design.columns) * square
    y = (0.5 * design.rows - np.arange(design.rows + 1)) * square
    areas: list[Area] = []
    corners = {}
    marker_id = design.first_id
    for row in range(design.rows):
        for column in range(design.columns):
            if (row + column + (design.legacy and design.rows % 2 == 0)) % 2 == 0:
                ring = rectangle(x[column], y[row + 1], x[column + 1], y[row])
                areas.append(Area((ring,), design.black, design.white))
                continue
            centre = (0.5 * (x[column] + x[column + 1]), 0.5 * (y[row] + y[row + 1]))
            cells = marker_cells(design.dictionary, marker_id)
            areas += marker_areas(cells, centre, design.marker, design.white, design.black)
            corners[marker_id] = marker_corners(centre, design.marker)
            marker_id += 1
    inner_x, inner_y = np.meshgrid(x[1:-1], y[1:-1])
    return Target(
        name=f"ChArUco {book.short_name} {design.columns} x {design.rows}, "
        f"{1000 * square:.6g} mm squares",
        kind="charuco",
        drawing=drawing_on_plate(
            design,
            (design.columns * square, design.rows * square),
            design.marker / book.cells,
            tuple(areas),
        ),
        dictionary=book.name,
        markers=corners,
        points=np.column_stack((inner_x.ravel(), inner_y.ravel())),
        layout=(design.columns, design.rows),
        pitch=square,
        marker_size=design.marker,
    )


def legacy_of(board: Target) -> Target:
    """Return a ChArUco board, its plate and paints, as OpenCV drew it before 4.6."""
    drawing = board.drawing
    paints = [shape.reflectance for shape in drawing.shapes]
    design = CharucoDesign(
        str(board.dictionary),
        *board.layout,
        board.pitch,
        board.marker_size,
        min(board.markers),
        legacy=True,
        plate=(drawing.width, drawing.height),
        quiet_zone=0.0,
        white=paints[0],
        black=min(paints),
        background=drawing.background,
    )
    return build_charuco(design)
