"""Facts that follow from a bay file: fields of view, ranges to wheels, target sizes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.errors import GeometryError
from bench.geometry.camera import Camera, project_camera, ray
from bench.geometry.rotation import angle_between
from bench.scene.model import Bay, Tower, wheels_of_tower
from bench.scene.vehicle import Wheel


@dataclass(frozen=True, eq=False)
class Sight:
    """One wheel as one tower's camera has it.

    Attributes
    ----------
    tower : str
        Name.
    wheel : Wheel
        Whose target is looked at.
    range_m : float
        Camera centre to target centre, metres.
    place : (float, float) or None
        In the picture, fractions across and down, 0 and 1 its edges; None where the wheel has
        no image at all.
    size_px : float
        Face-on size of the target's pattern at this range, pixels.
    whole : bool
        Whether the plate lies in the picture however it is turned.
    """

    tower: str
    wheel: Wheel
    range_m: float
    place: tuple[float, float] | None
    size_px: float
    whole: bool


def sight(bay: Bay, tower: Tower, wheel: Wheel) -> Sight:
    """Return how a tower's camera has a wheel."""
    p_camera = tower.T_bay_camera.inverse() @ wheel.T_bay_target.translation
    range_m = float(np.linalg.norm(p_camera))
    camera, drawing = tower.camera, bay.target.drawing
    focal = max(camera.fx, camera.fy)
    size_px = focal * bay.target.extent / range_m
    try:
        pixel = project_camera(p_camera, camera)
    except GeometryError:
        return Sight(tower.name, wheel, range_m, None, size_px, whole=False)
    # depth, not range, scales the picture of a plate that is parallel to the sensor
    reach_px = 0.5 * math.hypot(drawing.width, drawing.height) * focal / float(p_camera[2])
    place = ((pixel[0] + 0.5) / camera.width, (pixel[1] + 0.5) / camera.height)
    return Sight(
        tower.name,
        wheel,
        range_m,
        (float(place[0]), float(place[1])),
        size_px,
        camera.contains(pixel, reach_px),
    )


def sights(bay: Bay) -> tuple[Sight, ...]:
    """Return every tower's sight of every wheel on its side."""
    return tuple(
        sight(bay, tower, wheel) for tower in bay.towers for wheel in wheels_of_tower(bay, tower)
    )


def field_of_view(camera: Camera) -> tuple[float, float]:
    """Return the angles, radians, across and down through the picture's middle, edge to edge.

    Raises
    ------
    GeometryError
        An edge lies outside the domain where the lens model is one-to-one.
    """
    right, bottom = camera.width - 0.5, camera.height - 0.5
    u, v = 0.5 * (camera.width - 1), 0.5 * (camera.height - 1)
    left_ray, right_ray = ray(np.array([[-0.5, v], [right, v]]), camera)
    top_ray, bottom_ray = ray(np.array([[u, -0.5], [u, bottom]]), camera)
    return angle_between(left_ray, right_ray), angle_between(top_ray, bottom_ray)


def spacing(bay: Bay) -> float:
    """Return the distance, metres, across the bay between the outermost cameras."""
    offsets = [tower.placement.offset for tower in bay.towers]
    return max(offsets) - min(offsets)
