"""A vehicle with known wheel angles, measured in a bay with noise: tables with truth beside."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec, rotation_z
from bench.geometry.vehicle_angles import WheelState, axles_of, quantities, vehicle_values
from bench.geometry.viewing import tilt_of_pose
from bench.geometry.wheel_angles import axis_of_angles, sign_of, steering_axis_of_angles
from bench.registration.bar_views import MAX_TILT, T_left_right_of
from bench.registration.level_rehearsal import disturbed
from bench.registration.pose_rows import csv_text, pose_row
from bench.scene.model import Bay
from bench.scene.tower_pair import tower_pair
from bench.scene.vehicle import Wheel, wheels_at
from bench.scene.wheel_ids import marker_id
from bench.sighting.prediction import sigma_of_corner
from bench.solve.covariance import pose_covariance
from bench.solve.response import target_points
from bench.typing import Array

# What registration is assumed to leave, standard: a rehearsal of `sightbench register` tells.
REGISTRATION_SIGMA = np.array([math.radians(0.004)] * 3 + [0.3e-3] * 3)
ROLLS = (math.radians(-30.0), 0.0, math.radians(30.0))
STEERS = (math.radians(-20.0), math.radians(-10.0), math.radians(10.0), math.radians(20.0))


@dataclass(frozen=True)
class KnownAngles:
    """Angles of a vehicle that doesn't exist, degrees; left and right of front and rear.

    Attributes
    ----------
    toe, camber : mapping of (str, str) to float
        By axle and side.
    caster, inclination : mapping of str to float
        Of the front wheels, by side.
    heading : float
        How the vehicle stands in the bay, about the vertical.
    run_out : float
        Standard deviation of each target's tilt on its wheel, each way.
    """

    toe: Mapping[tuple[str, str], float]
    camber: Mapping[tuple[str, str], float]
    caster: Mapping[str, float]
    inclination: Mapping[str, float]
    heading: float = 0.4
    run_out: float = 0.5


INVENTED = KnownAngles(
    toe={
        ("front", "left"): 0.08,
        ("front", "right"): 0.14,
        ("rear", "left"): 0.17,
        ("rear", "right"): 0.05,
    },
    camber={
        ("front", "left"): -0.55,
        ("front", "right"): -0.35,
        ("rear", "left"): -1.25,
        ("rear", "right"): -1.10,
    },
    caster={"left": 5.1, "right": 4.8},
    inclination={"left": 12.7, "right": 13.0},
)


@dataclass(frozen=True, eq=False)
class WheelRehearsal:
    """What was measured, and what is true.

    Attributes
    ----------
    table : str
        CSV, as `bench.wheels.table` reads it.
    registration : (Pose, (6, 6) float64)
        As measured, with its covariance.
    up : (3,) float64
        In the left camera's frame, as measured with the given covariance.
    truth : mapping of (str, str) to float
        By name and reference, radians and metres.
    dropped : tuple of str
        Readings that the towers wouldn't see.
    """

    table: str
    registration: tuple[Pose, Array]
    up: Array
    truth: Mapping[tuple[str, str], float]
    dropped: tuple[str, ...]


def rehearse_wheels(bay: Bay, level: Array, seed: int) -> WheelRehearsal:
    """Measure the bay's first vehicle once, its angles being `INVENTED`, with errors drawn.

    Parameters
    ----------
    bay : Bay
        Its first station, and the vehicle's first and last axle.
    level : (3, 3) float64
        Covariance of up, about the left camera's axes.
    seed : int
        Of all errors.

    Raises
    ------
    GeometryError
        A tower sees fewer than two readings of a wheel.
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, 5]))
    known, chosen = INVENTED, bay.vehicles[0]
    placed = wheels_at(chosen, bay.stations[0])
    ends = [w for w in placed if w.axle in (chosen.axles[0].name, chosen.axles[-1].name)]
    towers = dict(zip(("left", "right"), tower_pair(bay), strict=True))
    middle = np.mean([w.centre for w in ends], axis=0) * [1.0, 0.0, 0.0]
    stand = Pose(
        rotation_z(math.radians(known.heading)),
        middle - rotation_z(math.radians(known.heading)) @ middle,
    )
    points, sigma_px = target_points(bay.target), sigma_of_corner(bay)
    rows: list[dict[str, str]] = []
    states, dropped = [], []
    for wheel in ends:
        axle = "front" if wheel.axle == chosen.axles[0].name else "rear"
        tower = towers[wheel.side]
        readings = _true_readings(wheel, axle, known, rng)
        into = tower.T_bay_camera.inverse() @ stand
        seen = 0
        for kind, label, T in readings:
            T_camera = into @ T
            if not tilt_of_pose(T_camera) < MAX_TILT:
                dropped.append(f"{axle} {wheel.side}, {kind} {label}")
                continue
            seen += kind == "roll"
            covariance = pose_covariance(points, T_camera, tower.camera, sigma_px)
            measured = disturbed(T_camera, covariance, rng)
            names = {
                "wheel": f"{axle} {wheel.side}",
                "kind": kind,
                "tower": wheel.side,
                "reading": label,
            }
            own = marker_id(bay, wheel.name)
            names |= {} if own is None else {"marker_id": str(own)}
            rows.append(pose_row(names, measured, covariance))
        if seen < 2:
            raise GeometryError(
                f"the {wheel.side} tower sees {seen} readings of {axle} {wheel.side}"
            )
        axis = _axis(known, axle, wheel.side)
        states.append(WheelState(axle, wheel.side, axis, wheel.centre))
    truth = _truth(states, known)
    covariance = np.diag(REGISTRATION_SIGMA**2)
    tied = disturbed(T_left_right_of(bay), covariance, rng)
    true_up = towers["left"].T_bay_camera.rotation[2]
    root = np.linalg.cholesky(level + 1e-18 * np.eye(3))
    up = exp_rotvec(root @ rng.standard_normal(3)) @ true_up
    return WheelRehearsal(csv_text(rows), (tied, covariance), up, truth, tuple(dropped))


def _axis(known: KnownAngles, axle: str, side: str) -> Array:
    return axis_of_angles(
        math.radians(known.toe[axle, side]), math.radians(known.camber[axle, side]), side
    )


def _true_readings(
    wheel: Wheel,
    axle: str,
    known: KnownAngles,
    rng: np.random.Generator,
) -> list[tuple[str, str, Pose]]:
    """Return kind, label and true T_bay_target of each reading, the vehicle unturned."""
    s = sign_of(wheel.side)
    axis = _axis(known, axle, wheel.side)
    # the wheel straight ahead and upright carries its target as drawn; toe and camber turn both
    square = np.array([0.0, s, 0.0])
    turn = np.cross(square, axis)
    angle = math.asin(min(1.0, float(np.linalg.norm(turn))))
    set_ = exp_rotvec(turn / max(float(np.linalg.norm(turn)), 1e-15) * angle)
    tilt = exp_rotvec(math.radians(known.run_out) * rng.standard_normal(3))
    drawn = wheel.T_bay_target
    arm = set_ @ (drawn.translation - wheel.centre)
    rotation = set_ @ drawn.rotation @ tilt
    height = float(wheel.centre[2])
    found = []
    for k, roll in enumerate(ROLLS):
        # rolling forward turns about the vehicle's +y
        rolled = exp_rotvec(roll * s * axis)
        place = wheel.centre + np.array([height * (roll - ROLLS[-1]), 0.0, 0.0])
        found.append(("roll", f"{k + 1}", Pose(rolled @ rotation, place + rolled @ arm)))
    if axle != "front":
        return found
    steering = steering_axis_of_angles(
        math.radians(known.caster[wheel.side]),
        math.radians(known.inclination[wheel.side]),
        wheel.side,
    )
    for steer in STEERS:
        steered = exp_rotvec(steer * steering)
        label = f"{math.degrees(steer):+.0f} deg"
        found.append(("steer", label, Pose(steered @ rotation, wheel.centre + steered @ arm)))
    return found


def _truth(states: Sequence[WheelState], known: KnownAngles) -> dict[tuple[str, str], float]:
    up = np.array([0.0, 0.0, 1.0])
    values = vehicle_values(states, up)
    truth = {
        (q.name, q.reference): float(v)
        for q, v in zip(quantities(axles_of(states)), values, strict=True)
    }
    for side in ("left", "right"):
        truth[f"front {side} caster", "level"] = math.radians(known.caster[side])
        truth[f"front {side} inclination", "level"] = math.radians(known.inclination[side])
    return truth
