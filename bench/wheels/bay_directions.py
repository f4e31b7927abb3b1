"""Directions of a vehicle as seen from where a bay's towers stand."""

from __future__ import annotations

from collections.abc import Callable

from bench.registration.bar_views import tower_pair
from bench.scene.model import Bay
from bench.wheels.table import BAY, Directions, camera_directions


def directions_in(bay: Bay) -> Callable[[str], Directions]:
    """Return a function of a tower's name, empty where poses are in the bay's own frame."""

    def rough(tower: str) -> Directions:
        if not tower:
            return BAY
        chosen = tower_pair(bay)[0 if tower == "left" else 1]
        return camera_directions(chosen.T_bay_camera.rotation)

    return rough
