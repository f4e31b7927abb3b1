"""Visibility of a target's plate from a tower, and what hides the rest.

Segments from the camera's centre to points on the plate are tested against every triangle of
what stands in the bay. The points are a Fibonacci lattice of `POINTS`: along either side of the
plate they are evenly spaced, one a `POINTS`-th, so that a straight shadow along a side is
measured to 1 / `POINTS`, and one at any slant to about 0.5 %.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from bench.geometry.pose import Pose
from bench.scene.model import Bay, Tower
from bench.scene.sight import Scenery, first_hits, pack, within_pyramid
from bench.scene.solids import Solid, measured_solids, surroundings_solids
from bench.scene.vehicle import Wheel
from bench.typing import Array

POINTS = 610  # a Fibonacci number, and the one before it
STEP = 377
OWN_BACK = "its own back"


@dataclass(frozen=True)
class Visibility:
    """What a camera sees of a plate.

    Attributes
    ----------
    fraction : float
        Of the plate that nothing hides; the picture's edge doesn't count.
    hidden_by : tuple of (str, float)
        What hides the rest, and how much of the plate: each hidden point counts for what is
        nearest to the camera. The largest first.
    """

    fraction: float
    hidden_by: tuple[tuple[str, float], ...] = ()

    def __str__(self) -> str:
        """Such as ``"62 %, hidden by: body 38 %"``."""
        if not self.hidden_by:
            return f"{100.0 * self.fraction:.0f} %"
        return f"{100.0 * self.fraction:.1f} %, {self.hidden_words}"

    @property
    def hidden_words(self) -> str:
        """What hides the rest, such as ``"hidden by: body 38.0 %"``; empty where nothing does."""
        by = ", ".join(f"{name} {100.0 * part:.1f} %" for name, part in self.hidden_by)
        return f"hidden by: {by}" if by else ""


@lru_cache(maxsize=4)
def plate_points(size: tuple[float, float]) -> Array:
    """Return the lattice on a plate (width, height), (`POINTS`, 3), target frame, metres."""
    index = np.arange(POINTS)
    across = (index + 0.5) / POINTS
    up = ((index * STEP) % POINTS + 0.5) / POINTS
    points = np.column_stack((across - 0.5, up - 0.5, np.zeros(POINTS))) * (*size, 0.0)
    points.setflags(write=False)
    return points


def visible_fraction(
    T_bay_camera: Pose,
    T_bay_plate: Pose,
    size: tuple[float, float],
    solids: Sequence[Solid] | Scenery,
    but: Sequence[str] = (),
) -> Visibility:
    """Return how much of a plate is seen from a camera's centre.

    Parameters
    ----------
    T_bay_camera, T_bay_plate : Pose
        Where they are; the plate is seen from the front only.
    size : (float, float)
        Width and height of the plate, metres.
    solids : sequence of Solid, or Scenery
        What may be in the way; the same packed is quicker.
    but : sequence of str
        Names of solids that aren't: the camera's own tower, the plate itself.
    """
    eye = T_bay_camera.translation
    if T_bay_plate.rotation[:, 2] @ (eye - T_bay_plate.translation) <= 0.0:
        return Visibility(0.0, ((OWN_BACK, 1.0),))
    scenery = solids if isinstance(solids, Scenery) else pack(solids)
    w, h = 0.5 * size[0], 0.5 * size[1]
    base = T_bay_plate @ np.array([[-w, -h, 0.0], [w, -h, 0.0], [w, h, 0.0], [-w, h, 0.0]])
    among = within_pyramid(eye, base, scenery)
    if but:
        among = among[[scenery.names[i] not in but for i in among]]
    if not len(among):
        return Visibility(1.0)
    ends = T_bay_plate @ plate_points(size)
    hits = first_hits(np.broadcast_to(eye, ends.shape), ends, scenery, among)
    hidden = Counter(scenery.names[i] for i in hits[hits >= 0])
    return Visibility(
        1.0 - sum(hidden.values()) / POINTS,
        tuple((name, count / POINTS) for name, count in hidden.most_common()),
    )


def sight(bay: Bay, tower: Tower, wheel: Wheel) -> Visibility:
    """Return how much of a wheel's target a tower sees, with all that stands in the bay.

    Raises
    ------
    ConfigError
        A mesh file can't be read.
    """
    drawing = bay.target.drawing
    scenery = _scenery(bay, wheel.vehicle, wheel.station)
    return visible_fraction(
        tower.T_bay_camera,
        wheel.T_bay_target,
        (drawing.width, drawing.height),
        scenery,
        but=(f"{tower.name} tower", f"{wheel.name} target"),
    )


def visibility(bay: Bay, tower: Tower, wheel: Wheel) -> float:
    """Return the fraction of `sight` alone."""
    return sight(bay, tower, wheel).fraction


@lru_cache(maxsize=128)
def _scenery(bay: Bay, vehicle: str, station: str) -> Scenery:
    """Return what may hide targets while a vehicle stands at a station, packed."""
    (measured,) = (v for v in bay.vehicles if v.name == vehicle)
    (place,) = (s for s in bay.stations if s.name == station)
    solids = (*surroundings_solids(bay), *measured_solids(bay, measured, place))
    return pack([solid for solid in solids if solid.kind != "lamp"])
