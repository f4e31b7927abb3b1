"""A tower camera's orientation and its column's lean, by targets on known wheels."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from bench.aiming.placing import Placing
from bench.errors import ConfigError, GeometryError
from bench.geometry.camera import project_camera
from bench.geometry.rotation import log_rotation
from bench.scene.model import Bay, Placement, Tower
from bench.setting_out.as_built import turned_to
from bench.setting_out.placements import leaning
from bench.typing import Array

# How upright plates hang on their holders, radians; common practice, no source: what a bubble on
# the plate shows. A smaller lean can't be told from plates, nor one on which two disagree by more.
UPRIGHT = math.radians(0.3)
ROUNDS = 3  # of lean and aim by turns; each is ten times nearer
# Widest lean that is looked for, radians: beyond it a column has fallen over.
MOST_ROLL = math.radians(20.0)


def orientation(bay: Bay, tower: Tower, placing: Placing) -> tuple[Placement, float | None, float]:
    """Return how the camera looks, the column's lean if plates tell it, and the residual, pixels.

    A lean rolls the picture and moves the camera aside, and what the two do to places of targets
    all but cancels; so it is taken from how the plates themselves look, hung upright, and places
    then give yaw and pitch. A lean that plates can't tell from none doesn't move the camera.

    Raises
    ------
    ConfigError
        Targets are where the tower can't see any.
    """
    centres = np.stack([wheel.T_bay_target.translation for _, wheel in placing.pairs])
    pixels = np.stack([one.centre_px for one, _ in placing.pairs])
    start, lean = tower.placement, 0.0
    looks = _roughly(tower, placing)
    told = len(placing.pairs) > 1
    try:
        for _ in range(ROUNDS if told else 1):
            applied = lean if abs(lean) > UPRIGHT else 0.0
            start = leaning(tower.placement, bay.surroundings.column, 0.0, applied)
            turned = replace(start, yaw=looks.yaw, pitch=looks.pitch)
            looks = turned_to(turned, tower.camera, centres, pixels, rolls=False)
            rolls = _rolls(looks, placing)
            if max(rolls) - min(rolls) > 2.0 * UPRIGHT:
                told = False
            more = lean_of_roll(
                tower, bay, start.roll - tower.placement.roll + float(np.mean(rolls))
            )
            if not told or more is None:
                break
            lean = more
        seen = project_camera(looks.T_bay_camera().inverse() @ centres, tower.camera)
    except GeometryError as error:
        raise ConfigError(
            f"the {tower.name} tower's picture shows targets where it can't see any: {error}"
        ) from error
    off = seen - pixels
    rmse = float(np.sqrt(np.mean(np.sum(off**2, axis=1))))
    return looks, lean if told else None, rmse


def _rolls(looks: Placement, placing: Placing) -> list[float]:
    """Return by how much more the camera is rolled than it looks, by each plate, radians.

    What of a plate's turn lies about the line of sight: how it stands about its other axes, which
    wheels and holders decide, hardly counts.
    """
    T_camera_bay = looks.T_bay_camera().inverse()
    found = []
    for one, wheel in placing.pairs:
        expected = T_camera_bay.rotation @ wheel.T_bay_target.rotation
        turn = log_rotation(one.T_camera_target.rotation @ expected.T)
        sight = one.position / np.linalg.norm(one.position)
        found.append(-float(turn @ sight))
    return found


def _roughly(tower: Tower, placing: Placing) -> Placement:
    """Return the placement turned to the first target: near enough to begin with."""
    one, wheel = placing.pairs[0]
    plan = tower.placement
    planned = tower.T_bay_camera.inverse() @ wheel.T_bay_target.translation
    return replace(
        plan,
        yaw=plan.yaw + _bearing(one.position) - _bearing(planned),
        pitch=plan.pitch + _rise(planned) - _rise(one.position),
    )


def _bearing(p: Array) -> float:
    """Return a point's direction to the camera's right, radians."""
    return math.atan2(float(p[0]), float(p[2]))


def _rise(p: Array) -> float:
    """Return a point's direction upwards from the camera's own level, radians."""
    return math.atan2(-float(p[1]), math.hypot(float(p[0]), float(p[2])))


def lean_of_roll(tower: Tower, bay: Bay, roll: float) -> float | None:
    """Return the lean across, radians, that rolls a tower's camera by so much beyond its plan.

    None where no column leans so.
    """
    column = bay.surroundings.column

    def beyond(across: float) -> float:
        return leaning(tower.placement, column, 0.0, across).roll - tower.placement.roll - roll

    # loading it takes a while
    from scipy.optimize import brentq

    if beyond(-MOST_ROLL) * beyond(MOST_ROLL) > 0.0:
        return None
    return float(brentq(beyond, -MOST_ROLL, MOST_ROLL, xtol=1e-9))
