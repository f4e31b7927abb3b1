"""Layouts of two towers, mirror-symmetric, as a few numbers."""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass, replace

from bench.errors import ConfigError
from bench.geometry.camera import Camera
from bench.scene.model import Bay, Placement, Tower
from bench.scene.tower_pair import watching_pair
from bench.units import format_length


@dataclass(frozen=True)
class Layout:
    """A mirror-symmetric layout of a bay's towers.

    Attributes
    ----------
    spacing : float
        Distance of the cameras across the bay, metres.
    height : float
        Of the cameras' centres above the floor, metres.
    standoff : float
        From the tower line to the near axle, metres.
    yaw : float
        Radians, positive inward, to the bay's centre line.
    pitch : float
        Radians, positive upwards.
    focal_length : float or None
        Metres; None keeps each camera's own.
    """

    spacing: float
    height: float
    standoff: float
    yaw: float
    pitch: float
    focal_length: float | None = None


def layout_of(bay: Bay) -> Layout:
    """Return the layout that a bay has; towers that differ are averaged.

    `focal_length` is None where the cameras' pixel pitch isn't known or they differ.

    Raises
    ------
    ConfigError
        The towers aren't two, one on each side of the centre line.
    """
    left, right = two_towers(bay)
    places = (left.placement, right.placement)
    lengths = {focal_length(tower.camera) for tower in (left, right)}
    return Layout(
        spacing=places[0].offset - places[1].offset,
        height=0.5 * (places[0].height + places[1].height),
        standoff=bay.standoff,
        yaw=0.5 * (places[0].yaw - places[1].yaw),
        pitch=0.5 * (places[0].pitch + places[1].pitch),
        focal_length=lengths.pop() if len(lengths) == 1 else None,
    )


def with_layout(bay: Bay, layout: Layout) -> Bay:
    """Return a bay with its towers moved to a layout, and their lenses changed.

    Stations keep their distance from the bay's standoff, towers their `forward` and roll.

    Raises
    ------
    ConfigError
        As `layout_of`, or a focal length is asked of a camera without pixel pitch.
    """
    two_towers(bay)
    further = layout.standoff - bay.standoff
    return replace(
        bay,
        standoff=layout.standoff,
        towers=tuple(_moved(tower, layout) for tower in bay.towers),
        stations=tuple(replace(s, standoff=s.standoff + further) for s in bay.stations),
    )


def two_towers(bay: Bay) -> tuple[Tower, Tower]:
    """Return the left and the right tower of a bay that has no other.

    Raises
    ------
    ConfigError
        They aren't two, one on each side of the centre line.
    """
    if len(bay.towers) == 2:
        with suppress(ConfigError):
            return watching_pair(bay)
    places = ", ".join(format_length(tower.placement.offset) for tower in bay.towers)
    raise ConfigError(
        f"{bay.path}: tower: a layout is of two towers, one on each side of the centre line; this "
        f"bay's stand at {places} from it"
    )


def focal_length(camera: Camera) -> float | None:
    """Return a camera's focal length, metres; None where its pixel pitch isn't known."""
    return None if camera.pixel_pitch is None else camera.fx * camera.pixel_pitch


def with_focal_length(camera: Camera, length: float | None) -> Camera:
    """Return a camera with another lens: fx and fy scaled, all else kept.

    Raises
    ------
    ConfigError
        The camera's pixel pitch isn't known.
    """
    if length is None or length == focal_length(camera):
        return camera
    if camera.pixel_pitch is None:
        raise ConfigError("camera: another lens needs the camera's pixel_pitch, which isn't given")
    # as a bay file with that lens has it, to the last digit: maps are told apart by digests
    fx = length / camera.pixel_pitch
    return replace(camera, fx=fx, fy=fx * (camera.fy / camera.fx))


def _moved(tower: Tower, layout: Layout) -> Tower:
    side = math.copysign(1.0, tower.placement.offset)
    placement = Placement(
        offset=side * 0.5 * layout.spacing,
        height=layout.height,
        forward=tower.placement.forward,
        yaw=side * layout.yaw,
        pitch=layout.pitch,
        roll=tower.placement.roll,
    )
    camera = with_focal_length(tower.camera, layout.focal_length)
    return Tower(tower.name, placement, camera, tower.imaging)
