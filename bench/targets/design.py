"""Every target design in one place, and the step from a design to a target."""

from __future__ import annotations

from bench.targets.bitmap import BitmapDesign, build_bitmap
from bench.targets.charuco import CharucoDesign, build_charuco
from bench.targets.chessboard import ChessboardDesign, build_chessboard
from bench.targets.circles import CirclesDesign, build_circles
from bench.targets.grid import GridDesign, build_grid
from bench.targets.marker import MarkerDesign, build_marker
from bench.targets.target import Target

Design = (
    MarkerDesign | GridDesign | CharucoDesign | CirclesDesign | ChessboardDesign | BitmapDesign
)

__all__ = [
    "BitmapDesign",
    "CharucoDesign",
    "ChessboardDesign",
    "CirclesDesign",
    "Design",
    "GridDesign",
    "MarkerDesign",
    "build_target",
]


def build_target(design: Design) -> Target:
    """Return the target that a design describes.

    Raises
    ------
    TargetError
        The plate is smaller than the pattern with its quiet zone.
    """
    match design:
        case MarkerDesign():
            return build_marker(design)
        case GridDesign():
            return build_grid(design)
        case CharucoDesign():
            return build_charuco(design)
        case CirclesDesign():
            return build_circles(design)
        case ChessboardDesign():
            return build_chessboard(design)
        case BitmapDesign():
            return build_bitmap(design)
