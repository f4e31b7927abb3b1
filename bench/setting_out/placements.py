"""From a camera's pose back to a placement, and towers that lean or stand on a sloping floor."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.geometry.rotation import rotation_x, rotation_y, rotation_z
from bench.scene.model import R_BAY_LEVEL_CAMERA, Bay, Placement, Tower
from bench.scene.surroundings import Column

# Nearer to straight up or down yaw and roll can't be told apart: cos(pitch) that is left.
LEAST_COSINE = 1e-6


def placement_of(T_bay_camera: Pose) -> Placement:
    """Return the placement whose `T_bay_camera` this is.

    Raises
    ------
    GeometryError
        The camera looks straight up or down, where yaw and roll are one.
    """
    R = T_bay_camera.rotation
    sight = R[:, 2]
    if math.hypot(sight[0], sight[1]) < LEAST_COSINE:
        raise GeometryError("a camera looks straight up or down: it has no yaw")
    yaw = math.atan2(-sight[1], -sight[0])
    pitch = math.atan2(sight[2], math.hypot(sight[0], sight[1]))
    upright = rotation_z(yaw) @ R_BAY_LEVEL_CAMERA @ rotation_x(pitch)
    rolled = upright.T @ R
    roll = math.atan2(rolled[1, 0], rolled[0, 0])
    forward, offset, height = (float(v) for v in T_bay_camera.translation)
    return Placement(offset, height, forward, yaw, pitch, roll)


def base_centre(placement: Placement, column: Column) -> tuple[float, float]:
    """Return x and y of the middle of a plumb tower's base on the floor, metres."""
    return placement.forward + column.reach, placement.offset


def leaning(placement: Placement, column: Column, along: float, across: float) -> Placement:
    """Return where a tower's camera gets to when the tower leans about its base's middle.

    So does a plumb tower's on a floor that slopes: the bay's frame lies in the floor, and seen
    from there it leans back where the floor rises toward it (`bench.scene.surroundings.Floor`).

    Parameters
    ----------
    placement : Placement
        Of the tower standing plumb.
    column : Column
        Its body.
    along, across : float
        Lean of its top, radians: away from the vehicle, and to the vehicle's left.
    """
    if along == 0.0 and across == 0.0:
        return placement
    # the top moves along x when turned about y, and along y when turned about -x
    turn = rotation_y(along) @ rotation_x(-across)
    base = np.array([*base_centre(placement, column), 0.0])
    upright = placement.T_bay_camera()
    return placement_of(Pose(turn @ upright.rotation, base + turn @ (upright.translation - base)))


def with_placements(bay: Bay, placements: dict[str, Placement]) -> Bay:
    """Return the bay with the named towers moved; the others stay."""
    towers = tuple(
        replace_placement(t, placements[t.name]) if t.name in placements else t for t in bay.towers
    )
    return replace(bay, towers=towers)


def replace_placement(tower: Tower, placement: Placement) -> Tower:
    """Return a tower moved, with its camera."""
    return Tower(tower.name, placement, tower.camera, tower.imaging)
