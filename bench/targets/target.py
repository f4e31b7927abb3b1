"""Targets as a pipeline knows them: the drawing, and the points that detectors look for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from bench.digest import later
from bench.targets.drawing import Drawing
from bench.typing import Array


@dataclass(frozen=True, eq=False)
class Target:
    """A target ready to be rendered and searched for.

    Attributes
    ----------
    name : str
        Short label for tables and pictures, such as ``"marker 36h11-7, 200 mm"``.
    kind : str
        ``"marker"``, ``"grid"``, ``"charuco"``, ``"circles"``, ``"chessboard"`` or ``"bitmap"``.
    drawing : Drawing
        Its face.
    dictionary : str or None
        Name of the marker dictionary, such as ``"DICT_APRILTAG_36h11"``.
    markers : mapping of int to (4, 2) float64
        Marker corners in the target frame, metres: top left, top right, bottom right, bottom
        left of the marker as drawn upright by OpenCV, or by the AprilTag library in families that
        OpenCV doesn't have.
    points : (P, 2) float64
        Chessboard inner corners (row by row from the top left) or circle centres (in OpenCV's
        order for the pattern), metres; of a bitmap its corners, from the top left clockwise;
        empty for markers.
    layout : (int, int)
        Columns and rows: of markers, of chessboard squares, of circles, or of pixels.
    pitch : float
        Distance between neighbours of the layout, metres (a chessboard's square size); 0 for a
        single marker.
    symmetric : bool
        For circles: whether the pattern is OpenCV's symmetric one.
    marker_size : float
        Side of the square between a marker's corners, its black square in most dictionaries,
        metres; 0 for circles.
    reach : float
        How far markers are printed beyond their corners, metres: data outside the border.
    bitmap : tuple of str
        A bitmap's rows of pixels from the top, ``"0"`` black and ``"1"`` white.
    """

    name: str
    kind: str
    drawing: Drawing
    dictionary: str | None = None
    markers: Mapping[int, Array] = field(default_factory=dict)
    points: Array = field(default_factory=lambda: np.empty((0, 2)))
    layout: tuple[int, int] = (1, 1)
    pitch: float = 0.0
    symmetric: bool = True
    marker_size: float = 0.0
    reach: float = later(0.0)
    bitmap: tuple[str, ...] = later(())

    @property
    def extent(self) -> float:
        """Size of the pattern itself, metres: the longer side of its features' bounding box."""
        corners = self.points if len(self.points) else np.vstack(list(self.markers.values()))
        return float(np.max(np.ptp(corners, axis=0)))
