"""The siting problem of a bay, and the bay with a solution's mount settings."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import numpy as np

from bench.geometry.pose import Pose
from bench.scene.model import Bay, Tower, wheels_of_tower
from bench.scene.vehicle import Mount, Wheel
from bench.sighting.prediction import COVERAGE, Predictor
from bench.sighting.sighting import sightings_of
from bench.siting.problem import Problem, Side
from bench.siting.tower_layout import two_towers, with_layout
from bench.typing import Array, IntArray


def make_problem(bay: Bay, predictor: Predictor, settings: bool = True) -> Problem:
    """Return a bay's problem with the lens it has.

    Parameters
    ----------
    bay : Bay
        Two towers, one on each side.
    predictor : Predictor
        Made quick here.
    settings : bool
        Whether mounts may be set anew, where they have more than one angle.

    Raises
    ------
    ConfigError
        The towers aren't two, one on each side of the centre line.
    GeometryError
        The predictor finds no image of the target, see `Predictor.quick`.
    """
    towers = two_towers(bay)
    mounts = _mounts(bay)
    allowed = tuple(
        tuple(product(m.turn_presets, m.pitch_presets)) if settings else ((m.turn, m.pitch),)
        for m in mounts.values()
    )
    sides = tuple(_side(bay, tower, tuple(mounts), allowed) for tower in towers)
    if _mirrored(bay, *towers):
        sides = sides[:1]
    quick = predictor.quick(bay.target, towers[0], _ranges(bay, sides[0]))
    return Problem(bay, sides, tuple(mounts), allowed, quick)


def kept_choice(problem: Problem) -> IntArray:
    """Return the setting of each mount that the bay file has, or the nearest to it."""
    found = []
    for own, settings in zip(_mounts(problem.bay).values(), problem.settings, strict=True):
        away = [abs(turn - own.turn) + abs(pitch - own.pitch) for turn, pitch in settings]
        found.append(int(np.argmin(away)))
    return np.array(found, dtype=np.int64)


def with_settings(bay: Bay, problem: Problem, choice: IntArray) -> Bay:
    """Return a bay with its mounts set as chosen."""
    chosen = {
        mount: settings[c]
        for mount, settings, c in zip(problem.mounts, problem.settings, choice, strict=True)
    }

    def reset(mount: Mount, key: tuple[str, str]) -> Mount:
        turn, pitch = chosen[key]
        return replace(mount, turn=turn, pitch=pitch)

    vehicles = tuple(
        replace(
            vehicle,
            axles=tuple(
                replace(axle, mount=reset(axle.mount, (vehicle.name, axle.name)))
                for axle in vehicle.axles
            ),
        )
        for vehicle in bay.vehicles
    )
    return replace(bay, vehicles=vehicles)


def corrected(problem: Problem, predictor: Predictor, x: Array, choice: IntArray) -> Problem:
    """Return a problem whose predictions at a layout (5,) are the exact predictor's.

    Elsewhere they keep the shape that the quick ones have.
    """
    bay = with_settings(with_layout(problem.bay, problem.layout(x)), problem, choice)
    shares = problem.judge(x[None], choice).shares[0]
    sides, start = [], 0
    for side in problem.sides:
        n = len(side.wheels)
        tower = next(tower for tower in bay.towers if tower.name == side.tower.name)
        seen = sightings_of(bay, tower, wheels_of_tower(bay, tower), predictor, visible=False)
        exact = np.array([(one.prediction.toe, one.prediction.camber) for one in seen]).T
        tolerances = np.array([[bay.tolerance.toe], [bay.tolerance.camber]])
        ratio = COVERAGE * exact / tolerances / shares[start : start + 2 * n].reshape(2, n)
        # a target without a bound is cut by the picture's edge, which the margin forbids anyway
        factor = np.where(np.isfinite(ratio), ratio, 1.0)
        sides.append(replace(side, correction=side.correction * factor))
        start += 2 * n
    return replace(problem, sides=tuple(sides))


def _mounts(bay: Bay) -> dict[tuple[str, str], Mount]:
    return {
        (vehicle.name, axle.name): axle.mount for vehicle in bay.vehicles for axle in vehicle.axles
    }


def _side(
    bay: Bay,
    tower: Tower,
    mounts: tuple[tuple[str, str], ...],
    allowed: tuple[tuple[tuple[float, float], ...], ...],
) -> Side:
    wheels = wheels_of_tower(bay, tower)
    groups = [mounts.index((w.vehicle, w.axle)) for w in wheels]
    rotations = [
        [
            _pose(wheel, allowed[g][min(p, len(allowed[g]) - 1)]).rotation
            for g, wheel in zip(groups, wheels, strict=True)
        ]
        for p in range(max(map(len, allowed)))
    ]
    return Side(
        tower,
        wheels,
        np.array(groups, dtype=np.int64),
        np.array(rotations),
        np.array([wheel.T_bay_target.translation for wheel in wheels]),
        np.ones((2, len(wheels))),
    )


def _pose(wheel: Wheel, setting: tuple[float, float]) -> Pose:
    turn, pitch = setting
    return replace(wheel, mount=replace(wheel.mount, turn=turn, pitch=pitch)).T_bay_target


def _mirrored(bay: Bay, left: Tower, right: Tower) -> bool:
    """Tell whether a right tower has the mirror image of what the left one has around it."""
    room = bay.surroundings.room
    if bay.surroundings.obstacles or not (room is None or room.left == room.right):
        return False
    camera = left.camera
    centred = camera.cx == 0.5 * (camera.width - 1) and camera.distortion[3] == 0.0
    a, b = left.placement, right.placement
    return (
        centred
        and right.camera == camera
        and right.imaging == left.imaging
        and a.forward == b.forward
        and a.roll == -b.roll
    )


def _ranges(bay: Bay, side: Side) -> tuple[float, float]:
    """Return about the nearest and the farthest range that any layout can have."""
    low, high = bay.siting.standoff
    ahead = side.tower.placement.forward - bay.standoff - side.translations[:, 0]
    near = max(0.3, float(np.min(ahead)) + low)
    far = math.hypot(float(np.max(ahead)) + high, 0.5 * bay.siting.spacing[1])
    return near, far
