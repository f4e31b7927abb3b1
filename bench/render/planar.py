"""The planar path: from one target held before a camera to the picture that the camera takes."""

from __future__ import annotations

import numpy as np

from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.model import Imaging, capture
from bench.imaging.picture import Picture, Region
from bench.imaging.region import region_of
from bench.targets.target import Target

# Pixels around the plate, so that cutting the region out of the frame doesn't change what
# detectors find: from 14 px on none of them differs, see bench.detect.aruco.
MARGIN_PX = 16


def full_frame(camera: Camera) -> Region:
    """Return the region that is the camera's whole sensor."""
    return Region(0, 0, camera.width, camera.height)


def render_target(
    target: Target,
    T_camera_target: Pose,
    camera: Camera,
    imaging: Imaging,
    rng: np.random.Generator,
    region: Region | None = None,
) -> Picture:
    """Take the picture of a target: exact coverage, optics, light and sensor noise.

    >>> import bench, numpy as np
    >>> bay = bench.load_bay()
    >>> tower = bay.towers[0]
    >>> pose = bench.pose_of_view(bench.View(range_m=6.0, turn=0.5), tower.camera)
    >>> rng = np.random.default_rng(1)
    >>> picture = bench.render_target(bay.target, pose, tower.camera, tower.imaging, rng)
    >>> picture.grey.ndim, picture.full_scale
    (2, 255)

    Parameters
    ----------
    target : Target
        What is seen.
    T_camera_target : Pose
        Where it is.
    camera, imaging : Camera, Imaging
        What it is seen by.
    rng : numpy.random.Generator
        Source of the sensor's noise.
    region : Region, optional
        Part of the sensor to compute; by default what the plate covers and `MARGIN_PX` around.

    Raises
    ------
    GeometryError
        No part of the plate is on the sensor.
    """
    if region is None:
        region = region_of(target.drawing, T_camera_target, camera, MARGIN_PX)
    return capture(target.drawing, T_camera_target, camera, imaging, region, rng)
