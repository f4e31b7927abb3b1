"""Bits of a marker that a picture shows clearly, and how many unclear ones chance explains.

Where any id will do, whatever is square and dark passes for a marker now and then: of random
patterns of n bits, 4 M Σ C(n, i) / 2ⁿ (i up to h) are within h bits of one of M markers in one of
four turns. A true marker has more to show: each of its cells is as dark or as light as the others
of its colour.
"""

from __future__ import annotations

import math

import numpy as np
import scipy

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.geometry.camera import project_camera
from bench.solve.points import planar_points
from bench.targets.dictionary import data_cells, dictionary, marker_cells
from bench.targets.target import Target
from bench.typing import Array

# Of random patterns, how many may pass: one in a hundred.
BY_CHANCE = 0.01
# A bit is clear where it is nearer to its own colour than to the middle grey: at least a quarter
# of the way from black to white beyond the middle.
CLEAR = 0.25
# Where a cell is looked at, in cells from its middle: within, for neighbours blur into its rim.
LOOKS = (-0.25, 0.0, 0.25)


def unclear_bits(observation: Observation, detection: Detection) -> int | None:
    """Return how many data bits of a single marker its picture doesn't show clearly.

    Grey values are compared with those that two planes over the marker give, one through its black
    cells and one, parallel, through its white ones, so that uneven light doesn't count. Wrong bits
    count as unclear. None where the target isn't a single marker, or wasn't found.
    """
    target = observation.target
    if target.kind != "marker" or target.dictionary is None or detection.found is not Found.FOUND:
        return None
    (marker_id,) = target.markers
    white = marker_cells(target.dictionary, marker_id).ravel()
    bits = data_cells(target.dictionary).ravel()
    grey = _cell_greys(observation, detection, len(white))
    if grey is None:
        return int(bits.sum())
    n = math.isqrt(len(white))
    down, across = np.divmod(np.arange(len(white)), n) - np.array([[0.5 * n], [0.5 * n]])
    design = np.column_stack((np.ones(len(white)), across, down, white - 0.5))
    *plane, contrast = np.linalg.lstsq(design, grey, rcond=None)[0]
    if not contrast > 0.0:
        return int(bits.sum())
    beyond = (grey - design[:, :3] @ plane) * np.where(white, 1.0, -1.0) / contrast
    return int(np.sum(bits & ~(beyond >= CLEAR)))


def _cell_greys(observation: Observation, detection: Detection, count: int) -> Array | None:
    """Return the mean grey of each of a marker's cells (count,); None where the lens has none."""
    points = planar_points(detection, observation.camera)
    if points is None:
        return None
    target = observation.target
    (corners,) = target.markers.values()
    places = _places(target, corners, math.isqrt(count)) - points.centroid
    xyw = np.column_stack((places, np.ones(len(places)))) @ points.homography.T
    if not np.all(xyw[:, 2] > 0.0):
        return None
    pixels = project_camera(xyw, observation.camera)
    picture = observation.picture
    row_column = (pixels - (picture.u0, picture.v0)).T[::-1]
    greys = scipy.ndimage.map_coordinates(
        picture.grey.astype(np.float64), row_column, order=1, mode="nearest"
    )
    return np.asarray(greys.reshape(count, -1).mean(axis=1))


def _places(target: Target, corners: Array, n: int) -> Array:
    """Return where each cell is looked at (n² looks², 2) on the plate, metres."""
    outside = dictionary(str(target.dictionary)).outside
    row, column, i, j = np.indices((n, n, len(LOOKS), len(LOOKS))).reshape(4, -1)
    look = np.array(LOOKS)
    across, down = (
        (k + 0.5 + look[at] - outside) / (n - 2 * outside) for k, at in ((column, j), (row, i))
    )
    right, below = corners[1] - corners[0], corners[3] - corners[0]
    return np.asarray(corners[0] + np.outer(across, right) + np.outer(down, below))


def most_unclear(name: str) -> int:
    """Return how many unclear bits a dictionary's markers may have and be taken for real.

    The most that no more than `BY_CHANCE` of random patterns have; 0 where even patterns without a
    wrong bit are more, as in a dictionary of 1000 markers of 16 bits (6 %).
    """
    bits, size = int(data_cells(name).sum()), dictionary(name).size
    share, allowed = 0.0, -1
    while allowed < bits:
        share += 4.0 * size * math.comb(bits, allowed + 1) / 2.0**bits
        if share > BY_CHANCE:
            break
        allowed += 1
    return max(allowed, 0)
