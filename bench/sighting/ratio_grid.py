"""A ratio of uncertainties tabulated over range and tilt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from bench.typing import Array, BoolArray

KINDS = 3  # of rotation, of place along the line of sight, and across it


@dataclass(frozen=True, eq=False)
class RatioGrid:
    """Ratios of rotation, along and across at pairs of range and tilt.

    Attributes
    ----------
    ranges, tilts : (R,) and (T,) float64
        Metres and radians, ascending, two or more of each.
    ratios : (R, T, 3) float64
        Finite everywhere.
    measured : (R, T) bool
        Whether a ratio is a cell's own rather than its neighbour's.
    """

    ranges: Array
    tilts: Array
    ratios: Array
    measured: BoolArray

    def at(self, range_: Array, tilt: Array) -> tuple[Array, BoolArray]:
        """Return ratios (..., 3) at ranges and tilts (...), and whether they are measured (...).

        Linear between cells, in tilt and the logarithm of range. Outside the grid, or next to
        a cell without a ratio of its own, the nearest serves and isn't called measured.
        """
        place = np.stack((np.log(range_), tilt), axis=-1)
        grid = (np.log(self.ranges), self.tilts)
        low, high = (np.array([axis[end] for axis in grid]) for end in (0, -1))
        inside = np.all((place >= low - 1e-9) & (place <= high + 1e-9), axis=-1)
        place = np.clip(place, low, high)
        share = scipy.interpolate.RegularGridInterpolator(grid, self.measured.astype(np.float64))(
            place
        )
        ratios = scipy.interpolate.RegularGridInterpolator(grid, self.ratios)(place)
        measured = inside & (share.reshape(inside.shape) > 1.0 - 1e-9)
        return ratios.reshape(*inside.shape, KINDS), np.asarray(measured)


def ratio_grid(ranges: Array, tilts: Array, ratios: Array, measured: BoolArray) -> RatioGrid:
    """Return a grid whose unmeasured cells take the nearest measured one's ratios.

    Parameters as `RatioGrid`; ratios of cells that aren't measured may be anything. One at
    least must be.
    """
    nearest = scipy.ndimage.distance_transform_edt(
        ~measured, return_distances=False, return_indices=True
    )
    return RatioGrid(ranges, tilts, ratios[tuple(nearest)], measured)
