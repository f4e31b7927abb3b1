"""A plain chessboard, for calibration alone: it has no ids and looks the same turned round."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.targets.drawing import Area
from bench.targets.outline import rectangle
from bench.targets.plate import PlateDesign, check_count, check_length, drawing_on_plate
from bench.targets.target import Target


@dataclass(frozen=True)
class ChessboardDesign(PlateDesign):
    """A chessboard with black in its top left square; the default quiet zone is one square.

    Attributes
    ----------
    columns, rows : int
        Of inner corners, one less than of squares, as is usual for calibration boards.
    square : float
        Side of a square, metres.

    Raises
    ------
    TargetError
        A field is out of its limits.
    """

    columns: int = 9
    rows: int = 6
    square: float = 0.025

    def __post_init__(self) -> None:
        self.check_plate()
        check_count("columns", self.columns, 3)  # OpenCV's detector needs 3
        check_count("rows", self.rows, 3)
        check_length("square", self.square)


def build_chessboard(design: ChessboardDesign) -> Target:
    """Return the target of a chessboard.

    Raises
    ------
    TargetError
        The plate is smaller than the board with its quiet zone.
    """
    square = design.square
    columns, rows = design.columns + 1, design.rows + 1
    # lattice lines, so that neighbouring squares share their corners to the last bit
    x = (np.arange(columns + 1) - 0.5 * columns) * square
    y = (0.5 * rows - np.arange(rows + 1)) * square
    areas = tuple(
        Area((rectangle(x[c], y[r + 1], x[c + 1], y[r]),), design.black, design.white)
        for r in range(rows)
        for c in range(columns)
        if (r + c) % 2 == 0
    )
    inner_x, inner_y = np.meshgrid(x[1:-1], y[1:-1])
    return Target(
        name=f"chessboard {design.columns} x {design.rows}, {1000 * square:.6g} mm squares",
        kind="chessboard",
        drawing=drawing_on_plate(design, (columns * square, rows * square), square, areas),
        points=np.column_stack((inner_x.ravel(), inner_y.ravel())),
        layout=(columns, rows),
        pitch=square,
    )
