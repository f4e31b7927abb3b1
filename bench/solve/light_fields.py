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
from bench.imaging.kernel import kernel
from bench.solve.image_fit import Scene
from bench.typing import Array, IntArray

# A cubic spline's pieces each way, and coefficients that a pixel's two fields have part in.
PIECES = 4
SHARES = PIECES * PIECES


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
    order = np.argsort(cell, kind="stable")
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


def field_at(basis: LightBasis, coefficients: Array) -> Array:
    """Return a field's values (N,) at the pixels."""
    return _field(coefficients, basis.cell, basis.across, basis.down, *basis.cells)


def field_equations(
    basis: LightBasis,
    sensitivity: Array,
    reflectance: Array,
    response: Array,
    residual: Array,
    weights: Array,
) -> tuple[Array, Array]:
    """Return JᵀWJ (P, P) and JᵀWr (P,), P = H + 1 + 2 size: of B's own, c, and a's and b's.

    Parameters
    ----------
    basis : LightBasis
        Of the fields.
    sensitivity : (M, H) float64
        Of B by pose, blur and what else there is, at the first M pixels.
    reflectance, response : (N,) float64
        B and ∂μ/∂B.
    residual, weights : (N,) float64
        Grey values minus μ, inverse variances.
    """
    whole = _equations(
        basis.order, basis.starts, *basis.cells, basis.across, basis.down,
        sensitivity, reflectance, response, residual, weights,
    )  # fmt: skip
    return whole[:-1, :-1].copy(), whole[:-1, -1].copy()


@lru_cache(maxsize=64)
def _penalty(columns: int, rows: int) -> tuple[Array, int]:
    along, down = columns + PIECES - 1, rows + PIECES - 1
    first = [np.diff(np.eye(n), 1, axis=0) for n in (along, down)]
    second = [np.diff(np.eye(n), 2, axis=0) for n in (along, down)]
    (a1, d1), (a2, d2) = ([m.T @ m for m in both] for both in (first, second))
    energy = np.kron(a2, np.eye(down)) + np.kron(np.eye(along), d2) + 2.0 * np.kron(a1, d1)
    energy.setflags(write=False)
    return energy, along * down - 3


def _splines(place: Array, cells: int) -> tuple[IntArray, Array]:
    """Return each place's cell (N,) and the four cubic B-splines there (N, 4); place 0 to 1."""
    t = np.clip(place * cells, 0.0, cells - 1e-9)
    cell = t.astype(np.int64)
    f = t - cell
    g = 1.0 - f
    pieces = (
        g**3,
        3.0 * f**3 - 6.0 * f**2 + 4.0,
        3.0 * g**3 - 6.0 * g**2 + 4.0,
        f**3,
    )
    return cell, np.column_stack(pieces) / 6.0


@kernel
def _field(
    coefficients: Array, cell: IntArray, across: Array, down: Array, columns: int, rows: int
) -> Array:
    wide = rows + 3
    values = np.zeros(len(cell))
    for n in range(len(cell)):
        i, j = cell[n] // rows, cell[n] % rows
        for a in range(4):
            part = 0.0
            for b in range(4):
                part += down[n, b] * coefficients[(i + a) * wide + j + b]
            values[n] += across[n, a] * part
    return values


@kernel
def _equations(
    order: IntArray, starts: IntArray, columns: int, rows: int, across: Array, down: Array,
    sensitivity: Array, reflectance: Array, response: Array, residual: Array, weights: Array,
) -> Array:  # fmt: skip
    # Cell by cell, for within one all pixels share their coefficients; the last row is the
    # residual's. b's block with a's and its own follow from moments, as b's rows are a's times B.
    wide = rows + 3
    size = (columns + 3) * wide
    near, own = sensitivity.shape
    start, last = own + 1, own + 1 + 2 * size
    normal = np.zeros((last + 1, last + 1))
    head, place = np.zeros(own + 2), np.zeros(16, np.int64)
    local = np.zeros((3, 16, 16))
    mixed = np.zeros((2, own + 2, 16))
    share = np.zeros(16)
    for c in range(len(starts) - 1):
        if starts[c + 1] == starts[c]:
            continue
        i, j = c // rows, c % rows
        local[:] = 0.0
        mixed[:] = 0.0
        for a in range(4):
            for b in range(4):
                place[4 * a + b] = start + (i + a) * wide + j + b
        for m in range(starts[c], starts[c + 1]):
            n = order[m]
            w, value = weights[n], reflectance[n]
            if w == 0.0:
                continue
            for a in range(4):
                for b in range(4):
                    share[4 * a + b] = across[n, a] * down[n, b]
            begin = 0
            if n < near:
                for q in range(own):
                    head[q] = sensitivity[n, q] * response[n]
            else:
                begin = own
            head[own], head[own + 1] = value * value, residual[n]
            for q in range(begin, own + 2):
                wq = w * head[q]
                for k in range(16):
                    mixed[0, q, k] += wq * share[k]
                    mixed[1, q, k] += wq * value * share[k]
                row = last if q == own + 1 else q
                for p in range(begin, min(q, own) + 1):
                    normal[row, p] += wq * head[p]
            for k in range(16):
                wk = w * share[k]
                for p in range(k + 1):
                    moment = wk * share[p]
                    local[0, k, p] += moment
                    local[1, k, p] += moment * value
                    local[2, k, p] += moment * value * value
        for k in range(16):
            for p in range(16):
                high, low = max(k, p), min(k, p)
                normal[place[k], place[p]] += local[0, high, low]
                normal[size + place[k], place[p]] += local[1, high, low]
                normal[size + place[k], size + place[p]] += local[2, high, low]
            for q in range(start):
                normal[place[k], q] += mixed[0, q, k]
                normal[size + place[k], q] += mixed[1, q, k]
            normal[last, place[k]] += mixed[0, own + 1, k]
            normal[last, size + place[k]] += mixed[1, own + 1, k]
    for i in range(last + 1):
        for j in range(i):
            normal[j, i] = normal[i, j]
    return normal
