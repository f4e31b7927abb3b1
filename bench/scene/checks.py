"""Checks for what can't be: towers in walls, vehicles in towers, a bay too narrow for them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np

from bench.errors import ConfigError
from bench.scene.fields import check_distinct
from bench.scene.mesh_file import inside_mesh, mesh_in_bay
from bench.scene.model import Bay
from bench.scene.occupancy import (
    clear_width,
    obstacle_prisms,
    target_prisms,
    tower_prisms,
    vehicle_prisms,
)
from bench.scene.prism import Prism, overlap
from bench.scene.surroundings import MeshObject, ParkedVehicle, Room
from bench.scene.vehicle import Station, Vehicle
from bench.units import format_length, shown

# metres; things that only touch, up to rounding, don't overlap
TOUCH = 1e-6


@dataclass(frozen=True, eq=False)
class Misfit:
    """Two things in one place, or one where it can't be.

    Attributes
    ----------
    key : str
        Of the bay file.
    words : str
        What is where, and by how much.
    parts : tuple of Prism
        The places concerned, as far as they are places.
    stands : (str, str) or None
        The vehicle that must stand there and the station where, if one must.
    """

    key: str
    words: str
    parts: tuple[Prism, ...] = ()
    stands: tuple[str, str] | None = None


def check_fit(bay: Bay) -> None:
    """Refuse a bay with a misfit.

    Raises
    ------
    ConfigError
        One line with the key, the value and the limit, and by how much it is broken.
    """
    for misfit in misfits(bay):
        raise ConfigError(f"{misfit.key}: {misfit.words}")


def misfits(bay: Bay) -> Iterator[Misfit]:
    """Yield everything in a bay that stands where it can't."""
    yield from _room_for_vehicles(bay)
    yield from _drive_through(bay)
    yield from _inside_the_room(bay)
    yield from _towers_apart(bay)
    yield from _towers_clear_of_obstacles(bay)
    yield from _vehicles_clear(bay)


def check_bay(bay: Bay) -> None:
    """Refuse a bay whose parts contradict each other.

    Raises
    ------
    ConfigError
        One line with the key, the value and the limit, and by how much it is broken.
    """
    _names(bay)
    _first_station(bay)
    _lenses(bay)
    _parked_vehicles(bay)


def _names(bay: Bay) -> None:
    try:
        check_distinct("vehicle", [vehicle.name for vehicle in bay.vehicles])
    except ValueError as error:
        raise ConfigError(f"vehicle_family: {error}") from error


def _first_station(bay: Bay) -> None:
    first = bay.stations[0]
    if first.standoff != bay.standoff:
        raise ConfigError(
            f"station.0.standoff: {format_length(first.standoff)} must be the bay's standoff, "
            f"{format_length(bay.standoff)}, or left out: the first station is where that counts"
        )


def _lenses(bay: Bay) -> None:
    for tower in bay.towers:
        if bay.siting.lenses and tower.camera.pixel_pitch is None:
            raise ConfigError(
                f"siting.lenses: focal lengths need pixel_pitch in the camera of '{tower.name}'"
            )


def _parked_vehicles(bay: Bay) -> None:
    names = [vehicle.name for vehicle in bay.vehicles]
    for index, obstacle in enumerate(bay.surroundings.obstacles):
        if isinstance(obstacle, ParkedVehicle) and obstacle.vehicle not in names:
            close = get_close_matches(obstacle.vehicle, names, n=1)
            told = f"did you mean '{close[0]}'?" if close else f"there are {', '.join(names)}"
            raise ConfigError(
                f"obstacle.{index}.vehicle: the bay has no vehicle {shown(obstacle.vehicle)}; "
                f"{told}"
            )


def _room_for_vehicles(bay: Bay) -> Iterator[Misfit]:
    room = bay.surroundings.room
    if room is None:
        return
    for vehicle in bay.vehicles:
        half = 0.5 * vehicle.width
        for side in ("left", "right"):
            limit = getattr(room, side)
            if half > limit + TOUCH:
                yield Misfit(
                    f"room.{side}",
                    f"vehicle '{vehicle.name}' is wider than the bay: it is "
                    f"{format_length(vehicle.width)} wide, so it needs {format_length(half)} on "
                    f"either side of the centre line and has {format_length(limit)}, "
                    f"{format_length(half - limit)} too little",
                    _body(vehicle, bay.stations[0]),
                )
        for station in bay.stations:
            yield from _room_along(room, vehicle, station)


def _room_along(room: Room, vehicle: Vehicle, station: Station) -> Iterator[Misfit]:
    body = vehicle.body
    tail = station.standoff + vehicle.wheelbase + body.rear_overhang
    nose = body.front_overhang - station.standoff
    roof = station.lift + body.height
    for key, reach, limit, what in (
        ("behind", tail, room.behind, "ends"),
        ("ahead", nose, room.ahead, "begins"),
        ("height", roof, room.height, "is as high as"),
    ):
        if reach > limit + TOUCH:
            yield Misfit(
                f"room.{key}",
                f"vehicle '{vehicle.name}' at station '{station.name}' {what} "
                f"{format_length(reach)}{' behind' if key == 'behind' else ''}"
                f"{' ahead of' if key == 'ahead' else ''}"
                f"{' the tower line' if key != 'height' else ''}, beyond the room's "
                f"{format_length(limit)} by {format_length(reach - limit)}",
                _body(vehicle, station),
                (vehicle.name, station.name),
            )


def _body(vehicle: Vehicle, station: Station) -> tuple[Prism, ...]:
    return vehicle_prisms(vehicle, (-station.standoff, 0.0), station.lift)[:1]


def _drive_through(bay: Bay) -> Iterator[Misfit]:
    needed = bay.surroundings.drive_through
    if needed is None:
        return
    clear = min(clear_width(bay))
    for vehicle in bay.vehicles:
        lacking = 0.5 * vehicle.width + needed - clear
        if lacking > TOUCH:
            yield Misfit(
                "drive_through",
                f"vehicle '{vehicle.name}' is too wide to be driven between the "
                f"towers: with {format_length(needed)} on either side it needs "
                f"{format_length(vehicle.width + 2.0 * needed)}, the columns leave "
                f"{format_length(2.0 * clear)} about the centre line, "
                f"{format_length(2.0 * lacking)} too little",
                tuple(tower_prisms(tower, bay.surroundings.column)[0] for tower in bay.towers),
            )


def _everything(bay: Bay) -> Iterator[tuple[str, str, Prism, tuple[str, str] | None]]:
    """Yield key, description, place and vehicle's stand of all that must be inside the room."""
    surroundings = bay.surroundings
    for index, tower in enumerate(bay.towers):
        for part in tower_prisms(tower, surroundings.column):
            yield f"tower.{index}", f"the {part.name} of tower '{tower.name}'", part, None
    for index, obstacle in enumerate(surroundings.obstacles):
        for part in obstacle_prisms(bay, obstacle):
            yield f"obstacle.{index}", f"'{obstacle.name}'", part, None
    for index, lamp in enumerate(surroundings.lamps):
        x, y, z = lamp.position
        at = Prism("lamp", np.array([[x, y]]), z, z)
        yield f"lamp.{index}.position", f"'{lamp.name}'", at, None
    for station in bay.stations:
        for vehicle in bay.vehicles:
            for part in target_prisms(vehicle, station, bay.target):
                where = f"the {part.name} of '{vehicle.name}' at station '{station.name}'"
                yield "mount", where, part, (vehicle.name, station.name)


def _inside_the_room(bay: Bay) -> Iterator[Misfit]:
    room = bay.surroundings.room
    if room is None:
        return
    for key, what, part, stands in _everything(bay):
        low_x, high_x, low_y, high_y = part.bounds
        for wall, reach, limit in (
            ("the wall ahead", high_x, room.ahead),
            ("the wall behind", -low_x, room.behind),
            ("the left wall", high_y, room.left),
            ("the right wall", -low_y, room.right),
            ("the ceiling", part.top, room.height),
            ("the floor", -part.bottom, 0.0),
        ):
            if reach > limit + TOUCH:
                # a pit is below the floor, and its vehicles' targets with it
                if wall == "the floor" and key == "mount":
                    continue
                yield Misfit(
                    key,
                    f"{what} is inside {wall}: it reaches {format_length(reach)} "
                    f"from the origin, {wall} is at {format_length(limit)}, "
                    f"{format_length(reach - limit)} too far",
                    (part,),
                    stands,
                )


def _towers_apart(bay: Bay) -> Iterator[Misfit]:
    column = bay.surroundings.column
    for index, tower in enumerate(bay.towers):
        for other in bay.towers[:index]:
            parts = (tower_prisms(tower, column), tower_prisms(other, column))
            depth = max(overlap(a, b) for a in parts[0] for b in parts[1])
            if depth > TOUCH:
                yield Misfit(
                    f"tower.{index}.offset",
                    f"tower '{tower.name}' stands in tower '{other.name}'; "
                    f"they overlap by {format_length(depth)}",
                    (parts[0][0], parts[1][0]),
                )


def _towers_clear_of_obstacles(bay: Bay) -> Iterator[Misfit]:
    surroundings = bay.surroundings
    for index, tower in enumerate(bay.towers):
        key, parts = f"tower.{index}", tower_prisms(tower, surroundings.column)
        for obstacle in surroundings.obstacles:
            if isinstance(obstacle, MeshObject):
                vertices, triangles = mesh_in_bay(obstacle)
                centres = [[*p.corners.mean(axis=0), 0.5 * (p.bottom + p.top)] for p in parts]
                found = inside_mesh(np.array(centres), vertices, triangles)
                within = [p.name for p, yes in zip(parts, found, strict=True) if yes]
                if within:
                    what = f"the {within[0]} of tower '{tower.name}' is inside '{obstacle.name}'"
                    yield Misfit(key, what, parts)
                continue
            for part in parts:
                what = f"the {part.name} of tower '{tower.name}' is inside '{obstacle.name}'"
                for other in obstacle_prisms(bay, obstacle):
                    yield from _overlapping(key, what, part, other)


def _overlapping(
    key: str, what: str, part: Prism, other: Prism, stands: tuple[str, str] | None = None
) -> Iterator[Misfit]:
    depth = overlap(part, other)
    if depth > TOUCH:
        words = f"{what}; they overlap by {format_length(depth)}"
        yield Misfit(key, words, (part, other), stands)


def _vehicles_clear(bay: Bay) -> Iterator[Misfit]:
    """Yield stations where a vehicle or its targets would stand in a tower or an obstacle."""
    surroundings = bay.surroundings
    things: list[tuple[str, Prism]] = []
    for tower in bay.towers:
        for part in tower_prisms(tower, surroundings.column):
            things.append((f"the {part.name} of tower '{tower.name}'", part))
    for obstacle in surroundings.obstacles:
        if not isinstance(obstacle, MeshObject):  # such as a scan of the whole hall
            things += [(f"'{obstacle.name}'", part) for part in obstacle_prisms(bay, obstacle)]
    for index, station in enumerate(bay.stations):
        for vehicle in bay.vehicles:
            own = (
                *vehicle_prisms(vehicle, (-station.standoff, 0.0), station.lift),
                *target_prisms(vehicle, station, bay.target),
            )
            stands = (vehicle.name, station.name)
            for part in own:
                whose = f"the {part.name} of '{vehicle.name}' at station '{station.name}'"
                for name, thing in things:
                    what = f"{whose} runs into {name}"
                    yield from _overlapping(f"station.{index}", what, part, thing, stands)
