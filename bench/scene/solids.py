"""Everything in a bay as named closed meshes in the bay frame, for sight lines and pictures."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from bench.geometry.pose import Pose
from bench.geometry.rotation import rotation_z
from bench.scene.body_shape import body_meshes, loft
from bench.scene.mesh_file import mesh_in_bay
from bench.scene.model import Bay, Tower
from bench.scene.occupancy import BASE_THICKNESS, HOUSING, base_centre
from bench.scene.surroundings import Box, Column, MeshObject, Obstacle, ParkedVehicle, Post, Room
from bench.scene.vehicle import Axle, Station, Vehicle, Wheel, wheels_at
from bench.targets.target import Target
from bench.typing import Array

Indices = NDArray[np.intp]
SIDES = 48  # of cylinders: chords lie within 0.2 % of the radius
WALL = 0.1  # thickness, metres
PLATE = 0.006  # thickness of a target's plate, metres
ARM = 0.03  # thickness of the bar that holds it, metres
RIM = 0.64  # radius of a rim over that of its tyre
AROUND = 2.0  # floor beyond everything in a bay without walls, metres
CUBE = np.array(
    [[0, 2, 1], [0, 3, 2], [4, 5, 6], [4, 6, 7], [0, 1, 5], [0, 5, 4],
     [1, 2, 6], [1, 6, 5], [2, 3, 7], [2, 7, 6], [3, 0, 4], [3, 4, 7]], dtype=np.intp,
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Solid:
    """A closed triangle mesh, outward faces anticlockwise.

    Attributes
    ----------
    name : str
        What it belongs to, as reports call it: ``"body"``, ``"front left tyre"``,
        ``"right tower"``, an obstacle's own name. Several solids may share one.
    kind : str
        What it is made of: floor, wall, column, camera, paint, glass, roof, load, tyre, rim,
        target, arm, box, post, mesh or lamp.
    vertices : (V, 3) float64
        Bay frame, metres.
    triangles : (F, 3) int
        Indices of vertices.
    """

    name: str
    kind: str
    vertices: Array
    triangles: Indices

    def moved(self, T_bay_solid: Pose) -> Solid:
        """Return it moved."""
        return replace(self, vertices=T_bay_solid @ self.vertices)

    def named(self, name: str) -> Solid:
        """Return it as part of something else."""
        return replace(self, name=name)


def cuboid(name: str, kind: str, low: Iterable[float], high: Iterable[float]) -> Solid:
    """Return an upright block between two corners."""
    (x0, y0, z0), (x1, y1, z1) = low, high
    corners = [(x, y, z) for z in (z0, z1) for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))]
    return Solid(name, kind, np.array(corners, dtype=np.float64), CUBE)


def cylinder(
    name: str, kind: str, radius: float, start: Iterable[float], end: Iterable[float]
) -> Solid:
    """Return a cylinder of `SIDES` sides between the middles of its ends, a prism around it."""
    a, b = np.asarray(tuple(start), dtype=np.float64), np.asarray(tuple(end), dtype=np.float64)
    axis = (b - a) / np.linalg.norm(b - a)
    side = np.eye(3)[int(np.argmin(np.abs(axis)))]
    u = np.cross(axis, side)
    u /= np.linalg.norm(u)
    v = np.cross(axis, u)
    angle = 2.0 * np.pi * np.arange(SIDES) / SIDES
    reach = radius / math.cos(math.pi / SIDES)
    ring = reach * (np.cos(angle)[:, None] * u + np.sin(angle)[:, None] * v)
    vertices, triangles = loft(np.stack((a + ring, b + ring)))
    return Solid(name, kind, vertices, triangles)


def tower_solids(tower: Tower, column: Column) -> tuple[Solid, ...]:
    """Return a tower: base plate, shaft, and the camera's housing, turned as the camera is."""
    name = f"{tower.name} tower"
    x, y = base_centre(tower, column)
    top = tower.placement.height + 0.5 * HOUSING
    along, across, shaft = 0.5 * column.base_along, 0.5 * column.base_across, 0.5 * column.shaft
    half = 0.5 * HOUSING
    # it ends at the camera's centre: the lens is in front
    housing = cuboid(name, "camera", (-half, -half, -HOUSING), (half, half, 0.0))
    return (
        cuboid(
            name, "column", (x - along, y - across, 0.0), (x + along, y + across, BASE_THICKNESS)
        ),
        cuboid(
            name, "column", (x - shaft, y - shaft, BASE_THICKNESS), (x + shaft, y + shaft, top)
        ),
        housing.moved(tower.T_bay_camera),
    )


def room_solids(room: Room) -> tuple[Solid, ...]:
    """Return a room's four walls, without a ceiling, and its floor."""
    x0, x1, y0, y1, h = -room.behind, room.ahead, -room.right, room.left, room.height
    return (
        cuboid("floor", "floor", (x0, y0, -WALL), (x1, y1, 0.0)),
        cuboid("wall ahead", "wall", (x1, y0 - WALL, 0.0), (x1 + WALL, y1 + WALL, h)),
        cuboid("wall behind", "wall", (x0 - WALL, y0 - WALL, 0.0), (x0, y1 + WALL, h)),
        cuboid("left wall", "wall", (x0, y1, 0.0), (x1, y1 + WALL, h)),
        cuboid("right wall", "wall", (x0, y0 - WALL, 0.0), (x1, y0, h)),
    )


@lru_cache(maxsize=256)
def vehicle_shape(vehicle: Vehicle) -> tuple[Solid, ...]:
    """Return a vehicle's body, tyres and rims in its own frame, see `bench.scene.body_shape`."""
    parts = [Solid("body", kind, *mesh) for kind, mesh in body_meshes(vehicle).items()]
    for axle in vehicle.axles:
        parts += [*_wheel(axle, "left", 1.0), *_wheel(axle, "right", -1.0)]
    return tuple(parts)


def _wheel(axle: Axle, side: str, sign: float) -> tuple[Solid, Solid]:
    x, y, z = -axle.behind, 0.5 * sign * axle.track, axle.wheel_height
    half = 0.5 * sign * axle.tyre_width
    name = f"{axle.name} {side} tyre"
    return (
        cylinder(name, "tyre", axle.tyre_radius, (x, y - half, z), (x, y + half, z)),
        cylinder(name, "rim", RIM * axle.tyre_radius, (x, y, z), (x, y + half + sign * 0.004, z)),
    )


def vehicle_solids(
    vehicle: Vehicle, position: tuple[float, float], lift: float = 0.0, yaw: float = 0.0
) -> tuple[Solid, ...]:
    """Return a vehicle without targets; `position` is of its near axle's middle."""
    at = Pose(rotation_z(yaw), np.array([*position, lift]))
    return tuple(part.moved(at) for part in vehicle_shape(vehicle))


def target_solids(wheel: Wheel, target: Target) -> tuple[Solid, ...]:
    """Return a wheel's target plate, face at the target's plane, and the arm that holds it."""
    name = f"{wheel.name} target"
    w, h = 0.5 * target.drawing.width, 0.5 * target.drawing.height
    T_bay_target = wheel.T_bay_target
    plate = cuboid(name, "target", (-w, -h, -PLATE), (w, h, 0.0)).moved(T_bay_target)
    behind = T_bay_target @ np.array([0.0, 0.0, -PLATE - 0.5 * ARM])
    return (plate, _bar(name, wheel.centre, behind))


def _bar(name: str, start: Array, end: Array) -> Solid:
    """Return a square bar between two points."""
    if np.linalg.norm(end - start) < 1e-6:
        end = start + np.array([1e-3, 0.0, 0.0])
    along = (end - start) / np.linalg.norm(end - start)
    up = np.eye(3)[int(np.argmin(np.abs(along)))]
    across = np.cross(up, along)
    across /= np.linalg.norm(across)
    other = np.cross(along, across)
    ring = 0.5 * ARM * np.array([across + other, -across + other, -across - other, across - other])
    return Solid(name, "arm", *loft(np.stack((start + ring, end + ring))))


def obstacle_solids(bay: Bay, obstacle: Obstacle) -> tuple[Solid, ...]:
    """Return an obstacle, all parts under its own name.

    Raises
    ------
    ConfigError
        A mesh can't be read.
    """
    match obstacle:
        case Box(name, centre, size, bottom, yaw):
            half_x, half_y = 0.5 * size[0], 0.5 * size[1]
            box = cuboid(name, "box", (-half_x, -half_y, 0.0), (half_x, half_y, size[2]))
            return (box.moved(Pose(rotation_z(yaw), np.array([*centre, bottom]))),)
        case Post(name, (x, y), radius, height):
            return (cylinder(name, "post", radius, (x, y, 0.0), (x, y, height)),)
        case ParkedVehicle(name, vehicle, position, yaw):
            (parked,) = (v for v in bay.vehicles if v.name == vehicle)
            parts = vehicle_solids(parked, position, 0.0, yaw)
            return tuple(part.named(name) for part in parts)
        case MeshObject(name):
            return (Solid(name, "mesh", *mesh_in_bay(obstacle)),)


def surroundings_solids(bay: Bay) -> tuple[Solid, ...]:
    """Return all but the measured vehicle: floor, walls, obstacles, towers, lamps.

    Without a room the floor reaches `AROUND` beyond towers, obstacles and vehicles.
    """
    surroundings = bay.surroundings
    things = [part for o in surroundings.obstacles for part in obstacle_solids(bay, o)]
    for tower in bay.towers:
        things += tower_solids(tower, surroundings.column)
    for lamp in surroundings.lamps:
        x, y, z = lamp.position
        things.append(
            cuboid(lamp.name, "lamp", (x - 0.6, y - 0.06, z), (x + 0.6, y + 0.06, z + 0.06))
        )
    if surroundings.room is not None:
        return (*room_solids(surroundings.room), *things)
    return (_open_floor(bay, things), *things)


def _open_floor(bay: Bay, things: list[Solid]) -> Solid:
    corners = [part.vertices[:, :2] for part in things]
    for station in bay.stations:
        for vehicle in bay.vehicles:
            half, body = 0.5 * vehicle.width, vehicle.body
            front = body.front_overhang - station.standoff
            back = -station.standoff - vehicle.wheelbase - body.rear_overhang
            corners.append(np.array([[front, half], [back, -half]]))
    points = np.vstack(corners)
    low, high = points.min(axis=0) - AROUND, points.max(axis=0) + AROUND
    return cuboid("floor", "floor", (*low, -WALL), (*high, 0.0))


def measured_solids(bay: Bay, vehicle: Vehicle, station: Station) -> tuple[Solid, ...]:
    """Return a vehicle at a station with the targets on its wheels."""
    body = vehicle_solids(vehicle, (-station.standoff, 0.0), station.lift)
    targets = [
        part for wheel in wheels_at(vehicle, station) for part in target_solids(wheel, bay.target)
    ]
    return (*body, *targets)


def bay_solids(bay: Bay, vehicle: Vehicle, station: Station) -> tuple[Solid, ...]:
    """Return everything in a bay while a vehicle stands at a station.

    Raises
    ------
    ConfigError
        A mesh file can't be read.
    """
    return (*surroundings_solids(bay), *measured_solids(bay, vehicle, station))
