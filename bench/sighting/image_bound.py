"""The whole image's bound over the corners', tabulated: quick enough for thousands of layouts.

The two bounds have nearly the same shape (what turns a target's picture most moves its corners
most), so that their ratio depends on range and tilt far more than on the direction of tilt or
the place in the picture. What is decided with the table is judged again without it.
"""

from __future__ import annotations

import math

import numpy as np

from bench.errors import ConfigError, GeometryError
from bench.geometry.camera import Camera
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import Imaging
from bench.imaging.region import region_of
from bench.sighting.ratio_grid import KINDS, RatioGrid, ratio_grid
from bench.solve.bounds import corner_bound, image_bound
from bench.targets.target import Target
from bench.typing import Array

RANGES, TILTS = 9, tuple(math.radians(t) for t in (3.0, 8.0, 15.0, 25.0, 40.0, 55.0, 70.0))
MARGIN_PX = 4.0


def image_table(
    target: Target,
    points: Array,
    camera: Camera,
    imaging: Imaging,
    ranges: tuple[float, float],
) -> RatioGrid:
    """Return the image's bound over that of corners with 1 px, for targets turned on the axis.

    Parameters
    ----------
    target : Target
        What is seen.
    points : (M, 2) float64
        Its corners that count.
    camera, imaging : Camera, Imaging
        What sees it.
    ranges : (float, float)
        Nearest and farthest, metres.

    Raises
    ------
    GeometryError
        The target has no image at any of these ranges.
    """
    p_target = np.column_stack((points, np.zeros(len(points))))
    near = max(ranges[0], math.hypot(target.drawing.width, target.drawing.height))
    places = np.geomspace(near, max(ranges[1], 1.01 * near), RANGES)
    ratios = np.ones((RANGES, len(TILTS), KINDS))
    measured = np.zeros((RANGES, len(TILTS)), dtype=np.bool_)
    for i, range_m in enumerate(places):
        for j, tilt in enumerate(TILTS):
            view = View(range_m=float(range_m), turn=tilt, pixel=_middle(camera))
            try:
                T = pose_of_view(view, camera)
                region = region_of(target.drawing, T, camera, MARGIN_PX)
                best = np.diag(image_bound(target.drawing, T, camera, imaging, region))
                corners = np.diag(corner_bound(p_target, T, camera, 1.0))
            except (GeometryError, ConfigError, np.linalg.LinAlgError):
                continue
            # on the axis the camera's x and y are across, z is along the line of sight
            ratios[i, j] = (
                math.sqrt(float(best[:2].sum() / corners[:2].sum())),
                math.sqrt(float(best[5] / corners[5])),
                math.sqrt(float(best[3:5].max() / corners[3:5].max())),
            )
            measured[i, j] = True
    if not np.any(measured):
        raise GeometryError(
            f"the target's picture doesn't determine its pose at any range from {near:.2f} m to "
            f"{places[-1]:.2f} m"
        )
    return ratio_grid(places, np.array(TILTS), ratios, measured)


def _middle(camera: Camera) -> tuple[float, float]:
    """Return the picture's middle, where a target has most room."""
    return (0.5 * (camera.width - 1), 0.5 * (camera.height - 1))
