"""Constraints that a layout must keep, each with its value, its limit and the room left."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from bench.geometry.camera import Camera
from bench.imaging.optics import Optics
from bench.scene.model import Bay
from bench.sighting.sighting import Sighting
from bench.siting.floor_space import floor_space
from bench.siting.tower_layout import layout_of
from bench.typing import Array
from bench.units import format_length

Unit = Literal["plate widths", "rad", "", "px", "m"]

# How much room counts as one when constraints of different units are compared.
SCALES = {
    "margin": 1.0,  # plate width
    "least tilt": math.radians(5.0),
    "greatest tilt": math.radians(5.0),
    "visible": 0.05,
    "focus": 1.0,  # px
    "length": 0.1,  # m
    "angle": math.radians(5.0),
}
# Diameter of the circle that defocus spreads a point over, px: its standard deviation, a
# quarter of that, is then about the blur that a good lens has anyway.
MOST_DEFOCUS_PX = 2.0


@dataclass(frozen=True)
class Constraint:
    """One thing that a layout must keep.

    Attributes
    ----------
    name : str
        Such as ``"margin"``.
    where : str
        Of what, such as ``"left: van rear left at floor"``; empty for the layout as a whole.
    value, limit : float
        SI, radians, px, or widths of the plate.
    slack : float
        Room left, in the same unit; negative where it is broken.
    unit : str
        Of the three.
    scale : float
        What counts as one unit of room, see `SCALES`.
    """

    name: str
    where: str
    value: float
    limit: float
    slack: float
    unit: Unit
    scale: float

    @property
    def room(self) -> float:
        """The slack in units of the scale, to compare constraints by."""
        return self.slack / self.scale

    @property
    def holds(self) -> bool:
        """Whether it is kept; a hair of rounding is allowed."""
        return self.room >= -1e-6

    def words(self) -> str:
        """Return the constraint in words with numbers."""
        state = "has" if self.holds else "lacks"
        where = f", {self.where}" if self.where else ""
        room = f", {state} {amount(abs(self.slack), self.unit)}"
        return (
            f"{self.name}{where}: {amount(self.value, self.unit)}, limit "
            f"{amount(self.limit, self.unit)}{room if math.isfinite(self.slack) else ''}"
        )


def amount(value: float, unit: Unit) -> str:
    """Return a number with its unit for people; "none" of what isn't finite."""
    if not math.isfinite(value):
        return "none"
    if unit == "m":
        return format_length(value)
    if unit == "rad":
        return f"{math.degrees(value):.2f} deg"
    if unit == "":
        return f"{100.0 * value:.1f} %"
    return f"{value:.2f} {unit}"


def constraints_of(bay: Bay, sightings: Sequence[Sighting]) -> tuple[Constraint, ...]:
    """Return everything that a bay as it stands must keep.

    Parameters
    ----------
    bay : Bay
        Two towers, one on each side.
    sightings : sequence of Sighting
        All of its sightings. Visible fractions that are NaN aren't judged.

    Raises
    ------
    ConfigError
        The towers aren't two, one on each side of the centre line.
    """
    found = [c for one in sightings for c in sighting_constraints(bay, one)]
    return (*found, *_limits(bay), *_floor(bay))


def sighting_constraints(bay: Bay, one: Sighting) -> tuple[Constraint, ...]:
    """Return what one sighting must keep."""
    space, where = bay.siting, f"{one.tower}: {one.name}"
    tower = next(tower for tower in bay.towers if tower.name == one.tower)
    low, high = space.tilt
    defocus = float(
        defocus_px(tower.camera, tower.imaging.optics, one.T_camera_target.translation[2])
    )
    found = [
        at_least("margin", where, one.room, space.margin, "plate widths"),
        at_least("least tilt", where, one.tilt, low, "rad"),
        at_most("greatest tilt", where, one.tilt, high, "rad"),
    ]
    if not math.isnan(one.visible):
        found.append(at_least("visible", where, one.visible, space.visible, ""))
    if tower.imaging.optics.focus_distance is not None:
        found.append(at_most("focus", where, defocus, MOST_DEFOCUS_PX, "px"))
    return tuple(found)


def at_least(
    name: str, where: str, value: float, limit: float, unit: Unit, kind: str = ""
) -> Constraint:
    """Return the constraint value >= limit."""
    return Constraint(name, where, value, limit, value - limit, unit, SCALES[kind or name])


def at_most(
    name: str, where: str, value: float, limit: float, unit: Unit, kind: str = ""
) -> Constraint:
    """Return the constraint value <= limit."""
    return Constraint(name, where, value, limit, limit - value, unit, SCALES[kind or name])


def defocus_px(camera: Camera, optics: Optics, depth: Array | float) -> Array:
    """Return the diameter of the circle that defocus spreads a point over, pixels.

    0 without a focus distance. As `bench.imaging.optics.aperture_at`, for many depths, metres.
    """
    depth = np.maximum(np.asarray(depth, dtype=np.float64), 1e-3)
    if optics.f_number is None or optics.focus_distance is None or camera.pixel_pitch is None:
        return np.zeros_like(depth)
    focal, focus = camera.fx * camera.pixel_pitch, optics.focus_distance
    image_distance = 1.0 / (1.0 / focal - 1.0 / focus)
    blur = focal / optics.f_number * image_distance * np.abs(1.0 / depth - 1.0 / focus)
    return np.asarray(blur / camera.pixel_pitch)


def _limits(bay: Bay) -> list[Constraint]:
    """Return the ends of what siting may choose from."""
    layout, space = layout_of(bay), bay.siting
    found = []
    for name in ("spacing", "height", "standoff", "yaw", "pitch"):
        value, (low, high) = getattr(layout, name), getattr(space, name)
        unit: tuple[Unit, str] = ("rad", "angle") if name in ("yaw", "pitch") else ("m", "length")
        found.append(at_least(f"least {name}", "", value, low, *unit))
        found.append(at_most(f"greatest {name}", "", value, high, *unit))
    return found


def _floor(bay: Bay) -> list[Constraint]:
    found = []
    for tower in bay.towers:
        place = tower.placement
        slacks = floor_space(
            bay,
            np.array([place.offset]),
            np.array([place.forward]),
            np.array([place.height]),
            np.zeros(1),
        )
        for name, slack in slacks.items():
            found.append(at_least(name, tower.name, float(slack[0]), 0.0, "m", "length"))
    return found
