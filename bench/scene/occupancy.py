"""The places that things take in a bay: towers, vehicles, targets, obstacles."""

from __future__ import annotations

import math

import numpy as np

from bench.scene.mesh_file import mesh_in_bay
from bench.scene.model import Bay, Tower
from bench.scene.prism import Prism, block, disc
from bench.scene.surroundings import Box, Column, MeshObject, Obstacle, ParkedVehicle, Post
from bench.scene.vehicle import Station, Vehicle, wheels_at
from bench.targets.target import Target

BASE_THICKNESS = 0.02  # of a tower's base plate, metres
HOUSING = 0.10  # side of the cube that a camera takes, metres
PLATE_DEPTH = 0.05  # a target with its holder, metres


def base_centre(tower: Tower, column: Column) -> tuple[float, float]:
    """Return where the middle of a tower's base plate is, bay frame, metres."""
    place = tower.placement
    return (place.forward + column.reach, place.offset)


def tower_prisms(tower: Tower, column: Column) -> tuple[Prism, Prism, Prism]:
    """Return a tower's base plate, shaft and camera."""
    place = tower.placement
    base = base_centre(tower, column)
    top = place.height + 0.5 * HOUSING
    camera = (place.forward, place.offset)
    return (
        block("base plate", base, (column.base_along, column.base_across), (0.0, BASE_THICKNESS)),
        block("shaft", base, (column.shaft, column.shaft), (0.0, top)),
        block("camera", camera, (HOUSING, HOUSING), (place.height - 0.5 * HOUSING, top)),
    )


def vehicle_prisms(
    vehicle: Vehicle, position: tuple[float, float], lift: float = 0.0, yaw: float = 0.0
) -> tuple[Prism, ...]:
    """Return a vehicle's body and tyres; `position` is of its near axle's middle."""
    body = vehicle.body
    c, s = math.cos(yaw), math.sin(yaw)

    def at(along: float, across: float) -> tuple[float, float]:
        return (position[0] + c * along - s * across, position[1] + s * along + c * across)

    length = vehicle.wheelbase + body.front_overhang + body.rear_overhang
    middle = 0.5 * (body.front_overhang - vehicle.wheelbase - body.rear_overhang)
    heights = (lift + body.ground_clearance, lift + body.height)
    parts = [block("body", at(middle, 0.0), (length, body.width), heights, yaw)]
    for axle in vehicle.axles:
        for side, sign in (("left", 0.5), ("right", -0.5)):
            parts.append(
                block(
                    f"{axle.name} {side} tyre",
                    at(-axle.behind, sign * axle.track),
                    (2.0 * axle.tyre_radius, axle.tyre_width),
                    (lift, lift + axle.wheel_height + axle.tyre_radius),
                    yaw,
                )
            )
    return tuple(parts)


def target_prisms(vehicle: Vehicle, station: Station, target: Target) -> tuple[Prism, ...]:
    """Return the plates on a vehicle's wheels at a station, as upright blocks."""
    width, height = target.drawing.width, target.drawing.height
    parts = []
    for wheel in wheels_at(vehicle, station):
        pose = wheel.T_bay_target
        across, up = pose.rotation[:, 0], pose.rotation[:, 1]
        half = 0.5 * (width * abs(across[2]) + height * abs(up[2]))
        x, y, z = pose.translation
        parts.append(
            block(
                f"{wheel.name} target",
                (float(x), float(y)),
                (PLATE_DEPTH, width),
                (float(z) - half, float(z) + half),
                math.atan2(-across[0], across[1]),
            )
        )
    return tuple(parts)


def obstacle_prisms(bay: Bay, obstacle: Obstacle) -> tuple[Prism, ...]:
    """Return an obstacle's parts; of a mesh the upright box around it.

    Raises
    ------
    ConfigError
        A mesh can't be read.
    """
    match obstacle:
        case Box(name, centre, size, bottom, yaw):
            return (block(name, centre, size[:2], (bottom, bottom + size[2]), yaw),)
        case Post(name, centre, radius, height):
            return (disc(name, centre, radius, height),)
        case ParkedVehicle(_, vehicle, position, yaw):
            (parked,) = (v for v in bay.vehicles if v.name == vehicle)
            return vehicle_prisms(parked, position, 0.0, yaw)
        case MeshObject():
            return (mesh_bounds(obstacle),)


def mesh_bounds(mesh: MeshObject) -> Prism:
    """Return the upright box around a mesh, in the bay's axes."""
    vertices, _ = mesh_in_bay(mesh)
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    middle = 0.5 * (low + high)
    size = np.maximum(high - low, 1e-6)  # a flat one keeps a normal to every side
    return block(
        mesh.name,
        (float(middle[0]), float(middle[1])),
        (float(size[0]), float(size[1])),
        (float(low[2]), float(high[2])),
    )


def clear_width(bay: Bay) -> tuple[float, float]:
    """Return the free room left and right of the centre line between the towers, metres.

    From the centre line to the nearest part of any tower on that side; infinite where there is
    none.
    """
    left = right = np.inf
    for tower in bay.towers:
        for part in tower_prisms(tower, bay.surroundings.column):
            _, _, low, high = part.bounds
            left = min(left, max(low, 0.0)) if high > 0.0 else left
            right = min(right, max(-high, 0.0)) if low < 0.0 else right
    return float(left), float(right)
