"""The region of pixels that a target covers."""

from __future__ import annotations

import math

import numpy as np

from bench.errors import GeometryError
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.chords import project_outline
from bench.imaging.picture import Region
from bench.targets.drawing import Drawing


def region_of(drawing: Drawing, T_camera_target: Pose, camera: Camera, margin_px: float) -> Region:
    """Return the smallest region that holds the plate and a margin, as far as the sensor goes.

    Parameters
    ----------
    drawing : Drawing
        Its plate's outline counts.
    T_camera_target : Pose
        Target to camera.
    camera : Camera
        Intrinsics.
    margin_px : float
        Added on every side.

    Raises
    ------
    GeometryError
        Nothing of the plate lies on the sensor, or it has no image, see `project_outline`.
    """
    points = project_outline(drawing, T_camera_target, camera).ends.reshape(-1, 2)
    low, high = np.min(points, axis=0), np.max(points, axis=0)
    size = (camera.width, camera.height)
    if any(high[i] <= -0.5 or low[i] >= size[i] - 0.5 for i in range(2)):
        raise GeometryError("nothing of the target's plate lies on the sensor")
    first = [max(0, math.floor(low[i] - margin_px + 0.5)) for i in range(2)]
    last = [min(size[i] - 1, math.ceil(high[i] + margin_px - 0.5)) for i in range(2)]
    return Region(first[0], first[1], last[0] - first[0] + 1, last[1] - first[1] + 1)
