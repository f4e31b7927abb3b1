"""Outlines of a bay for the page: from above, from the side, and as each tower sees it.

From above x runs right, toward the towers, and the vehicle's left is up; from the side x runs
right and heights up: SVG's y is minus the bay's y or z.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np

from bench.errors import GeometryError
from bench.explore.bay_state import BayState, MovableBay
from bench.geometry.camera import project_camera
from bench.geometry.pose import Pose
from bench.scene.checks import Misfit
from bench.scene.model import Bay, Tower, wheels_of_tower
from bench.scene.solids import Solid
from bench.scene.vehicle import Station, Vehicle, wheels_at
from bench.sighting.overview import cover
from bench.siting.aim import Aim
from bench.typing import Array

Points = list[list[float]]
Place = Sequence[float] | Array
DRAWN = ("column", "camera", "paint", "tyre", "target", "box", "post", "mesh")
SEEN = ("paint", "tyre", "box", "post", "column", "target")
AXIS = 1.1  # metres of a camera's axis that are drawn, with its handle at the end
NORMAL = 0.55  # likewise of a target's normal
NEAR = 0.05  # metres before a camera, that all of a thing must be to be drawn
AROUND = 0.4  # metres shown beyond towers and vehicle
TALLEST = 3.0  # metres shown above the floor, or as far as the vehicle and towers reach


def scene(
    bay: Bay,
    vehicle: Vehicle,
    station: Station,
    solids: Sequence[Solid],
    found: Sequence[Misfit],
) -> dict[str, Any]:
    """Return the bay from above and from the side, in metres, as SVG has its axes."""
    solids = [s for s in solids if s.kind in DRAWN]
    room = bay.surroundings.room
    parts = [part for misfit in found for part in misfit.parts]
    sights = []
    for tower in bay.towers:
        for wheel in wheels_of_tower(bay, tower):
            if (wheel.vehicle, wheel.station) == (vehicle.name, station.name):
                ends = np.stack((tower.T_bay_camera.translation, wheel.T_bay_target.translation))
                sights.append({"tower": tower.name, "wheel": wheel.name, "ends": _listed(ends)})
    heights = [w.centre[2] for w in wheels_at(vehicle, station)]
    reach = station.standoff + vehicle.wheelbase + vehicle.body.rear_overhang + 4.0
    return {
        "extent": _extent(bay, vehicle, station),
        "walls": None if room is None else [-room.behind, room.ahead, -room.right, room.left],
        "ceiling": None if room is None else room.height,
        "plan": [_shape(s, 1) for s in sorted(solids, key=lambda s: s.vertices[:, 2].max())],
        "side": [_shape(s, 2) for s in solids],
        "cones": [
            {"tower": tower.name, "points": _upright(cover(tower, float(np.mean(heights)), reach))}
            for tower in bay.towers
        ],
        "sights": sights,
        "collisions": {
            "plan": [_upright(part.corners) for part in parts],
            "side": [
                _upright(np.array([[x0, z0], [x1, z0], [x1, z1], [x0, z1]]))
                for part in parts
                for x0, x1, z0, z1 in [(*part.bounds[:2], part.bottom, part.top)]
            ],
        },
    }


def handles(bay: Bay, movable: MovableBay, state: BayState) -> list[dict[str, Any]]:
    """Return what can be taken hold of: where it is drawn, and which value it moves how.

    A ``line`` handle adds to its value the way along `axis`, times `gain`; a ``turn`` one the
    angle about `pivot`, counted as the drawing's y axis points down.
    """
    found = []

    def line(
        view: str, at: Place, key: str, axis: tuple[float, float], what: str,
        gain: float = 1.0,
    ) -> None:  # fmt: skip
        found.append(_handle(view, at, key, what) | {"axis": axis, "gain": gain})

    def turn(view: str, at: Place, pivot: Place, key: str, sign: int, what: str) -> None:
        found.append(_handle(view, at, key, what) | {"pivot": _point(pivot), "gain": sign})

    known = {knob.key for knob in movable.knobs(bay, state.vehicle)}
    for i, tower in enumerate(bay.towers):
        eye, ahead = tower.T_bay_camera.translation, tower.T_bay_camera.rotation[:, 2]
        end = eye + AXIS * ahead
        line("plan", eye[:2], f"tower.{i}.offset", (0.0, -1.0), f"{tower.name} tower, across")
        turn("plan", end[:2], eye[:2], f"tower.{i}.yaw", -1, f"{tower.name} tower, yaw")
        line("side", eye[[0, 2]], f"tower.{i}.height", (0.0, -1.0), f"{tower.name} tower, height")
        turn("side", end[[0, 2]], eye[[0, 2]], f"tower.{i}.pitch", 1, f"{tower.name} tower, pitch")
    vehicle, station = movable.vehicle(state), movable.station(state)
    index = [s.name for s in bay.stations].index(state.station)
    own = f"station.{index}.standoff"
    near = (-station.standoff, 0.0)
    line("plan", near, own if own in known else "standoff", (-1.0, 0.0), f"{vehicle.name}, along")
    listed = [v["name"] for v in movable.document.get("vehicle", [])]
    if vehicle.name in listed:
        table = f"vehicle.{listed.index(vehicle.name)}.axle"
        for j, axle in enumerate(vehicle.axles):
            x = -(station.standoff + axle.behind)
            if axle.behind:
                line("plan", (x, 0.0), f"{table}.{j}.behind", (-1.0, 0.0), f"{axle.name} axle")
    if f"station.{index}.lift" in known:
        line(
            "side", (-station.standoff - 0.5 * vehicle.wheelbase, station.lift),
            f"station.{index}.lift", (0.0, -1.0), f"{vehicle.name}, lift",
        )  # fmt: skip
    if "mount.turn" in known:
        wheel = wheels_at(vehicle, station)[0]
        at = wheel.T_bay_target.translation
        end = at + NORMAL * wheel.T_bay_target.rotation[:, 2]
        turn("plan", end[:2], at[:2], "mount.turn", -1, "targets' turn")
    return found


def picture(
    bay: Bay,
    tower: Tower,
    aim: Aim,
    state: BayState,
    solids: Sequence[Solid],
    breaks: Sequence[dict[str, Any]],
) -> dict[str, Any]:
    """Return what a tower's camera sees: plates with their room, and what stands before it."""
    numbers = {b["wheel"]: b["number"] for b in breaks if b["tower"] == tower.name}
    plates, insets = [], []
    for one, kept in zip(aim.sightings, aim.constraints, strict=True):
        if one.tower != tower.name or not one.imaged:
            continue
        shown = (one.wheel.vehicle, one.wheel.station) == (state.vehicle, state.station)
        insets += [bay.siting.margin * one.size_px] if shown else []
        plates.append(
            {
                "wheel": one.wheel.name,
                "shown": shown,
                "points": _listed(one.outline_px, 1),
                "number": numbers.get(one.wheel.name, 0) if shown else 0,
                "holds": all(c.holds for c in kept),
            }
        )
    T_camera_bay = tower.T_bay_camera.inverse()
    seen = [s for s in solids if s.kind in SEEN and s.name != f"{tower.name} tower"]
    eye = tower.T_bay_camera.translation
    seen.sort(key=lambda s: -float(np.linalg.norm(s.vertices.mean(axis=0) - eye)))
    return {
        "tower": tower.name,
        "width": tower.camera.width,
        "height": tower.camera.height,
        "solids": [s for s in (_silhouette(one, T_camera_bay, tower) for one in seen) if s],
        "plates": plates,
        "insets": sorted({min(insets), max(insets)}) if insets else [],
    }


def _silhouette(solid: Solid, T_camera_bay: Pose, tower: Tower) -> dict[str, Any] | None:
    """Return a solid's outline in the picture; None where a part of it has no image there."""
    points = T_camera_bay @ solid.vertices
    if points[:, 2].min() <= NEAR:
        return None
    try:
        pixels = project_camera(points, tower.camera)
    except GeometryError:
        return None
    w, h = tower.camera.width, tower.camera.height
    pixels = np.clip(pixels, (-2.0 * w, -2.0 * h), (3.0 * w, 3.0 * h))
    return {"kind": solid.kind, "points": _listed(_hull(pixels), 0)}


def _handle(view: str, at: Place, key: str, what: str) -> dict[str, Any]:
    return {"id": f"{view}-{key}", "view": view, "at": _point(at), "key": key, "what": what}


def _shape(solid: Solid, second: int) -> dict[str, Any]:
    return {
        "kind": solid.kind,
        "name": solid.name,
        "points": _upright(_hull(solid.vertices[:, [0, second]])),
    }


def _hull(points: Array) -> Array:
    hull: Array = cv2.convexHull(points.astype(np.float32))[:, 0].astype(np.float64)
    return hull


def _extent(bay: Bay, vehicle: Vehicle, station: Station) -> list[float]:
    """Return x0, x1, half width and height of what is shown, in half metres: it seldom jumps."""
    column = bay.surroundings.column
    tail = station.standoff + vehicle.wheelbase + vehicle.body.rear_overhang + AROUND
    ends = [t.placement.forward + column.reach + 0.5 * column.base_along for t in bay.towers]
    sides = [abs(t.placement.offset) + 0.5 * column.base_across for t in bay.towers]
    tops = [t.placement.height + 0.3 for t in bay.towers]
    top = max(*tops, station.lift + vehicle.body.height, TALLEST)

    def up(value: float) -> float:
        return math.ceil(2.0 * value) / 2.0

    half = up(max(*sides, 0.5 * vehicle.width) + AROUND)
    return [-up(tail), up(max(ends) + AROUND), half, up(top)]


def _upright(points: Array) -> Points:
    """Return points (N, 2) with the second coordinate turned, as SVG has it."""
    return _listed(points * (1.0, -1.0))


def _point(at: Place) -> list[float]:
    return [round(float(at[0]), 4), round(-float(at[1]), 4)]


def _listed(points: Array, decimals: int = 3) -> Points:
    return [[round(float(v), decimals) for v in point] for point in points]
