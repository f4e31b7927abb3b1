"""A grid of circles, symmetric or asymmetric, in the order of OpenCV's `findCirclesGrid`."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.errors import TargetError
from bench.targets.drawing import Disc
from bench.targets.plate import PlateDesign, check_count, check_length, drawing_on_plate
from bench.targets.target import Target
from bench.typing import Array


@dataclass(frozen=True)
class CirclesDesign(PlateDesign):
    """A grid of black circles; the default quiet zone is half a pitch around the circles.

    Attributes
    ----------
    columns, rows : int
        Of circles, as OpenCV counts them: an asymmetric grid's columns are the circles in one
        row, and every second row is shifted by half their distance.
    pitch : float
        Distance between neighbouring rows, metres. In a symmetric grid it is also that
        between neighbours in a row; in an asymmetric one these are two pitches apart, so
        that the nearest neighbour is the diagonal one, √2 pitches away.
    diameter : float
        Of a circle, metres.
    symmetric : bool
        Which of OpenCV's two patterns.

    Raises
    ------
    TargetError
        A field is out of its limits, or circles would touch.
    """

    columns: int = 4
    rows: int = 11
    pitch: float = 0.02
    diameter: float = 0.015
    symmetric: bool = False

    def __post_init__(self) -> None:
        self.check_plate()
        # findCirclesGrid needs two rows and columns to have a lattice at all
        check_count("columns", self.columns, 2)
        check_count("rows", self.rows, 2)
        check_length("pitch", self.pitch)
        check_length("diameter", self.diameter)
        nearest = self.pitch if self.symmetric else math.sqrt(2.0) * self.pitch
        if not self.diameter < nearest:
            raise TargetError(
                f"diameter must be smaller than the distance of the nearest circles, got "
                f"{1000 * self.diameter:.6g} mm for {1000 * nearest:.6g} mm"
            )


def circle_centres(design: CirclesDesign) -> Array:
    """Return the centres (columns * rows, 2), metres, row by row from the top left."""
    row, column = np.divmod(np.arange(design.columns * design.rows), design.columns)
    step = column if design.symmetric else 2 * column + row % 2
    centres = np.column_stack((step, -row)) * design.pitch
    middle = 0.5 * (centres.min(axis=0) + centres.max(axis=0))
    return np.asarray(centres - middle, dtype=np.float64)


def build_circles(design: CirclesDesign) -> Target:
    """Return the target of a circle grid.

    Raises
    ------
    TargetError
        The plate is smaller than the circles with their quiet zone.
    """
    centres = circle_centres(design)
    width, height = np.ptp(centres, axis=0) + design.diameter
    radius = 0.5 * design.diameter
    discs = tuple(Disc(float(x), float(y), radius, design.black, design.white) for x, y in centres)
    pattern = "symmetric" if design.symmetric else "asymmetric"
    return Target(
        name=f"{pattern} circles {design.columns} x {design.rows}, {1000 * design.pitch:.6g} mm",
        kind="circles",
        drawing=drawing_on_plate(design, (float(width), float(height)), 0.5 * design.pitch, discs),
        points=centres,
        layout=(design.columns, design.rows),
        pitch=design.pitch,
        symmetric=design.symmetric,
    )
