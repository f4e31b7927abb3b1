"""Directions of a vehicle as seen from where a bay's towers stand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from bench.geometry.pose import Pose
from bench.scene.model import Bay
from bench.scene.tower_pair import tower_pair
from bench.typing import Array
from bench.wheels.table import BAY, Directions, camera_directions


def directions_in(
    bay: Bay, up: Array | None = None, T_left_right: Pose | None = None
) -> Callable[[str], Directions]:
    """Return a function of a tower's name, empty where poses are in the bay's own frame.

    Parameters
    ----------
    bay : Bay
        As drawn.
    up : (3,) float64, optional
        Upward in the left tower's frame as it was measured, in place of the drawing's.
    T_left_right : Pose, optional
        The towers' measured transform, which carries it to the right tower.
    """

    def rough(tower: str) -> Directions:
        if not tower:
            return BAY
        chosen = tower_pair(bay)[0 if tower == "left" else 1]
        found = camera_directions(chosen.T_bay_camera.rotation)
        if up is None:
            return found
        if tower == "left":
            return replace(found, up=up)
        return found if T_left_right is None else replace(found, up=T_left_right.rotation.T @ up)

    return rough
