"""Boundaries of cell patterns: one ring around each connected patch, so no seams inside.

Painting white cells one by one would leave a hairline where neighbours meet, in print and in
any anti-aliasing renderer; their union has no inner edges.
"""

import numpy as np

from bench.targets.drawing import Area
from bench.typing import Array, BoolArray, IntArray


def rectangle(x0: float, y0: float, x1: float, y1: float) -> Array:
    """Return the corners (4, 2) of a rectangle, anticlockwise from bottom left."""
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def cell_rings(cells: BoolArray) -> tuple[IntArray, ...]:
    """Return the boundary of the union of the True cells as closed rings on the lattice.

    Parameters
    ----------
    cells : (R, C) bool
        Row 0 is the top one.

    Returns
    -------
    tuple of (N, 2) int64
        Lattice points x, y with y up and (0, 0) at the bottom left of the array, corners
        only, no repeated last vertex; True cells are on the left, so outer rings run
        anticlockwise and holes clockwise. Cells that touch at a corner alone aren't joined.
    """
    sides = _sides(cells)
    rings = []
    for start in sorted(sides):
        if start not in sides:
            continue
        side = start
        corners = []
        while side in sides:
            sides.remove(side)
            x, y, dx, dy = side
            x, y = x + dx, y + dy
            # Where two cells touch at a corner, two sides leave it: turning left stays on
            # the same cell. No side leaves backwards.
            ways = ((x, y, -dy, dx), (x, y, dx, dy), (x, y, dy, -dx))
            side = next(way for way in ways if way in sides or way == start)
            if side[2:] != (dx, dy):
                corners.append((x, y))
        rings.append(np.array(corners, dtype=np.int64))
    return tuple(rings)


def _sides(cells: BoolArray) -> set[tuple[int, int, int, int]]:
    """Return the unit sides (x, y, dx, dy) between True cells and False ones, True on the left."""
    padded = np.pad(cells, 1)
    sides = set()
    for r, c in np.argwhere(cells):
        x, y = int(c), len(cells) - 1 - int(r)
        # neighbour below, to the right, above, to the left, and the side towards it
        for neighbour, side in (
            (padded[r + 2, c + 1], (x, y, 1, 0)),
            (padded[r + 1, c + 2], (x + 1, y, 0, 1)),
            (padded[r, c + 1], (x + 1, y + 1, -1, 0)),
            (padded[r + 1, c], (x, y + 1, 0, -1)),
        ):
            if not neighbour:
                sides.add(side)
    return sides


def marker_areas(
    cells: BoolArray, centre: tuple[float, float], size: float, white: float, black: float
) -> tuple[Area, ...]:
    """Return a marker as its black square and the white patches on it, or as black patches.

    Parameters
    ----------
    cells : (n, n) bool
        True where white, all that is printed, row 0 on top.
    centre : (float, float)
        Of the marker, metres.
    size : float
        Side of all that is printed, metres.
    white, black : float
        Reflectances; the marker is painted on white.
    """
    n = len(cells)
    corner = np.array(centre) - 0.5 * size
    if cells[[0, -1]].any() or cells[:, [0, -1]].any():  # without a black frame
        patches = tuple(ring * (size / n) + corner for ring in cell_rings(~cells))
        return (Area(patches, black, white),)
    square = rectangle(*corner, *(corner + size))
    rings = tuple(ring * (size / n) + corner for ring in cell_rings(cells))
    if not rings:  # a marker whose bits are all black
        return (Area((square,), black, white),)
    return Area((square,), black, white), Area(rings, white, black)
