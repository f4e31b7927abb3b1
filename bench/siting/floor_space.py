"""Floor space for a tower: inside the room, clear of vehicles, obstacles and the way through."""

from __future__ import annotations

import math

import numpy as np

from bench.scene.model import Bay
from bench.scene.surroundings import Box, Post
from bench.typing import Array

Slacks = dict[str, Array]


def floor_space(bay: Bay, offset: Array, forward: Array, height: Array, further: Array) -> Slacks:
    """Return the room, metres, that a tower leaves to each thing it must not touch, by name.

    Negative where it is in the way. The tower's base plate counts, see
    `bench.scene.surroundings.Column`. Meshes and parked vehicles aren't looked at.

    Parameters
    ----------
    bay : Bay
        Its surroundings, vehicles and stations.
    offset, forward, height : (L,) float64
        Of the camera, see `bench.scene.model.Placement`.
    further : (L,) float64
        What is added to every station's standoff.

    Returns
    -------
    dict of str to (L,) float64
    """
    column, room = bay.surroundings.column, bay.surroundings.room
    middle, across = forward + column.reach, np.abs(offset)
    half_along, half_across = 0.5 * column.base_along, 0.5 * column.base_across
    inner = across - half_across
    found: Slacks = {}
    if room is not None:
        found["wall ahead"] = room.ahead - (middle + half_along)
        side = np.where(offset > 0.0, room.left, room.right)
        found["side wall"] = side - (across + half_across)
        found["ceiling"] = room.height - height
        tail = max(
            station.standoff + vehicle.wheelbase + vehicle.body.rear_overhang
            for station in bay.stations
            for vehicle in bay.vehicles
        )
        found["wall behind the vehicle"] = room.behind - (tail + further)
    if bay.surroundings.drive_through is not None:
        widest = max(vehicle.width for vehicle in bay.vehicles)
        found["drive-through width"] = inner - 0.5 * widest - bay.surroundings.drive_through
    clear = np.full(np.shape(offset), math.inf)
    for station in bay.stations:
        for vehicle in bay.vehicles:
            nose = -(station.standoff + further) + vehicle.body.front_overhang
            beside, before = inner - 0.5 * vehicle.width, middle - half_along - nose
            clear = np.minimum(clear, np.maximum(beside, before))
    found["clear of the vehicle"] = clear
    reach = max(half_along, half_across)
    for obstacle in bay.surroundings.obstacles:
        if isinstance(obstacle, Box):
            if obstacle.bottom > 0.0:
                continue  # the height of a tower's top isn't known
            found[f"clear of {obstacle.name}"] = _from_box(obstacle, middle, offset) - reach
        elif isinstance(obstacle, Post):
            x, y = obstacle.centre
            found[f"clear of {obstacle.name}"] = (
                np.hypot(middle - x, offset - y) - obstacle.radius - reach
            )
    return found


def _from_box(box: Box, x: Array, y: Array) -> Array:
    """Return the signed distance of points on the floor from a box's footprint, metres."""
    dx, dy = x - box.centre[0], y - box.centre[1]
    c, s = math.cos(box.yaw), math.sin(box.yaw)
    along = np.abs(c * dx + s * dy) - 0.5 * box.size[0]
    across = np.abs(c * dy - s * dx) - 0.5 * box.size[1]
    outside = np.hypot(np.maximum(along, 0.0), np.maximum(across, 0.0))
    return np.asarray(outside + np.minimum(np.maximum(along, across), 0.0))
