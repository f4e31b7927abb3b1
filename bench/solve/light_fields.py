"""Light that varies over a face: two smooth fields, a part added and a part multiplied.

With B the blurred reflectance, grey values are::

    μ = a(x, y) + b(x, y) B + c B²

a is what a reflection, a window or stray light adds, b the light that falls on the paint, its
unevenness included; c B² stands for a response curve and is left out where the sensor is known.
Both fields are tensor products of cubic B-splines on even knots over the plate, with a penalty on
differences of neighbouring coefficients (P-splines: Eilers and Marx 1996,
doi:10.1214/ss/1038425655; both ways and mixed, as the energy of a thin plate). A field without
penalty costs is a plane. Their places are the plate's at one pose and stay there, so that a field
is a function of the picture and two poses may be given the same freedom.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.kernel import kernel
from bench.solve.image_fit import Scene
from bench.typing import Array, IntArray

# A cubic spline's pieces each way.
PIECES = 4


@dataclass(frozen=True, eq=False)
class LightBasis:
    """B-splines at the pixels that count.

    Attributes
    ----------
    cells : (int, int)
        Knot intervals across and down the plate.
    cell : (N,) int64
        Each pixel's cell, column by column.
    across, down : (N, 4) float64
        The splines that aren't zero there.
    order, starts : (N,), (cells + 1,) int64
        Pixels sorted by cell, and where each cell's begin.
    """

    cells: tuple[int, int]
    cell: IntArray
    across: Array
    down: Array
    order: IntArray
    starts: IntArray

    @property
    def size(self) -> int:
        """Coefficients of one field."""
        return (self.cells[0] + PIECES - 1) * (self.cells[1] + PIECES - 1)

    @property
    def penalty(self) -> Array:
        """The penalty's matrix (size, size)."""
        return _penalty(*self.cells)[0]

    @property
    def rank(self) -> int:
        """Of the penalty: the size less the three coefficients of a plane."""
        return self.size - 3

    @property
    def penalty_band(self) -> Array:
        """The penalty's lower band (size, 2 (rows + 3) + 1), columns from their diagonal on."""
        return _penalty(*self.cells)[1]


def light_basis(scene: Scene, pose: Pose, cells: int) -> LightBasis:
    """Return the splines of fields over a plate, so many cells along its longer side.

    Raises
    ------
    GeometryError
        The plate has no image at this pose.
    """
    xy = places_on_plate(scene, pose)
    drawing = scene.drawing
    sides = np.array([drawing.width, drawing.height])
    columns, rows = (max(1, round(cells * side / sides.max())) for side in sides)
    i, across = _splines(xy[:, 0] + 0.5, columns)
    j, down = _splines(xy[:, 1] + 0.5, rows)
    cell = i * rows + j
    order = np.argsort(cell.astype(np.int16), kind="stable")  # few cells: a radix sort
    starts = np.searchsorted(cell[order], np.arange(columns * rows + 1))
    return LightBasis((columns, rows), cell, across, down, order, starts)


def places_on_plate(scene: Scene, pose: Pose) -> Array:
    """Return where on the plate each pixel is (N, 2), from -0.5 to 0.5 each way.

    By the homography of the plate's corners: a lens's distortion bends the fields' knots a
    little, which matters to nobody.

    Raises
    ------
    GeometryError
        The plate has no image at this pose.
    """
    outline = scene.drawing.outline
    corners = project(np.column_stack((outline, np.zeros(4))), pose, scene.camera)
    unit = outline / (scene.drawing.width, scene.drawing.height)
    pixels = scene.pixels
    origin = np.array([pixels.region.u0, pixels.region.v0], dtype=np.float64)
    way = cv2.getPerspectiveTransform(
        (corners - origin).astype(np.float32), unit.astype(np.float32)
    )
    row, column = np.divmod(pixels.index, pixels.region.width)
    seen = np.column_stack((column, row)).astype(np.float64)
    return np.asarray(cv2.perspectiveTransform(seen[None], way)[0])


def fields_at(basis: LightBasis, coefficients: Array) -> Array:
    """Return values (N, K) at the pixels of fields with coefficients (size, K)."""
    return _fields(
        basis.cell, *basis.cells, basis.across, basis.down, np.ascontiguousarray(coefficients)
    )


@lru_cache(maxsize=64)
def _penalty(columns: int, rows: int) -> tuple[Array, Array]:
    along, down = columns + PIECES - 1, rows + PIECES - 1
    first = [np.diff(np.eye(n), 1, axis=0) for n in (along, down)]
    second = [np.diff(np.eye(n), 2, axis=0) for n in (along, down)]
    (a1, d1), (a2, d2) = ([m.T @ m for m in both] for both in (first, second))
    energy = np.kron(a2, np.eye(down)) + np.kron(np.eye(along), d2) + 2.0 * np.kron(a1, d1)
    size, reach = along * down, 2 * down + 1
    band = np.zeros((size, reach))
    for k in range(reach):
        band[: size - k, k] = np.diagonal(energy, -k)
    energy.setflags(write=False)
    band.setflags(write=False)
    return energy, band


def _splines(place: Array, cells: int) -> tuple[IntArray, Array]:
    """Return each place's cell (N,) and the four cubic B-splines there (N, 4); place 0 to 1."""
    t = np.clip(place * cells, 0.0, cells - 1e-9)
    cell = t.astype(np.int64)
    f = t - cell
    g = 1.0 - f
    f2, g2 = f * f, g * g
    pieces = (g * g2, 3.0 * f * f2 - 6.0 * f2 + 4.0, 3.0 * g * g2 - 6.0 * g2 + 4.0, f * f2)
    return cell, np.column_stack(pieces) / 6.0


@kernel
def _fields(
    cell: IntArray, columns: int, rows: int, across: Array, down: Array, coefficients: Array
) -> Array:
    wide, count = rows + 3, coefficients.shape[1]
    values = np.empty((len(cell), count))
    for n in range(len(cell)):
        first = (cell[n] // rows) * wide + cell[n] % rows
        for k in range(count):
            total = 0.0
            for a in range(4):
                at = first + a * wide
                total += across[n, a] * (
                    down[n, 0] * coefficients[at, k]
                    + down[n, 1] * coefficients[at + 1, k]
                    + down[n, 2] * coefficients[at + 2, k]
                    + down[n, 3] * coefficients[at + 3, k]
                )
            values[n, k] = total
    return values
