"""The bay as it was built: from what was measured to where its towers stand."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import scipy

from bench.errors import ConfigError, GeometryError
from bench.geometry.camera import Camera, project_camera
from bench.geometry.rotation import rotation_z
from bench.scene.model import Bay, Placement, Tower
from bench.scene.surroundings import Column
from bench.setting_out.as_built_file import Measured
from bench.setting_out.dimensions import anchors_of, square_check
from bench.setting_out.photo_pose import COMPONENTS
from bench.setting_out.placements import (
    base_centre,
    leaning,
    replace_placement,
)
from bench.typing import Array

# Anchor points that fit their own pattern worse were measured wrongly or belong to another
# plate: metres, RMS beyond what their uncertainty makes plausible.
WORST_ANCHORS = 0.02


def as_built(bay: Bay, measured: Measured, numbers: Mapping[str, float] | None = None) -> Bay:
    """Return the bay with its towers where they were measured; the rest is as planned.

    Tape measures refer to the centre line and the tower line on the floor. Diagonals tell how
    far these are from square: then the tower line, and what was measured from it, is turned.
    Leaning towers and sloping floors move cameras and tilt them, where these weren't measured
    themselves. Slopes act on what tape and level measured, not on photographs, which refer to
    marks on the floor.

    Parameters
    ----------
    bay : Bay
        As planned.
    measured : Measured
        What was measured.
    numbers : mapping, optional
        Instead of its numbers: the same keys with other values.

    Raises
    ------
    ConfigError
        Numbers contradict each other: impossible diagonals, anchor points that aren't a plate's.
    """
    values = measured.numbers if numbers is None else numbers
    skew = out_of_square(bay, measured, values)
    column = bay.surroundings.column
    further = values.get("standoff", bay.standoff) - bay.standoff
    slopes = values.get("floor/along", 0.0), values.get("floor/across", 0.0)
    towers = []
    for tower in bay.towers:
        place = _photographed(tower, values)
        if place is None:
            place = _taped(tower, column, measured, values, skew)
            if any(slopes):
                place = leaning(place, column, *slopes)
            if tower.name in measured.seen:
                # targets stand on the floor: what is seen of them is with respect to it
                place = _aimed(tower, place, measured, values, further)
        towers.append(replace_placement(tower, place))
    return replace(
        bay,
        standoff=bay.standoff + further,
        stations=tuple(replace(s, standoff=s.standoff + further) for s in bay.stations),
        towers=tuple(towers),
    )


def out_of_square(bay: Bay, measured: Measured, values: Mapping[str, float]) -> float:
    """Return the tower line's turn against the centre line, radians; 0 where it isn't measured.

    Raises
    ------
    ConfigError
        No parallelogram of these sides has such diagonals.
    """
    if "square/one_three" not in values:
        return 0.0
    try:
        return square_check(bay).out_of_square(
            values["square/one_three"], values["square/two_four"]
        )
    except ValueError as error:
        raise ConfigError(
            f"{measured.path}: square: no bay has such diagonals; planned are "
            f"{square_check(bay).diagonal:.3f} m both"
        ) from error


def _photographed(tower: Tower, values: Mapping[str, float]) -> Placement | None:
    if f"{tower.name}/photo/offset" not in values:
        return None
    return Placement(**{c: values[f"{tower.name}/photo/{c}"] for c in COMPONENTS})


def _taped(
    tower: Tower, column: Column, measured: Measured, values: Mapping[str, float], skew: float
) -> Placement:
    """Return a tower's placement from tape, level and pixels."""

    def given(name: str) -> float | None:
        return values.get(f"{tower.name}/{name}")

    place, turned = tower.placement, 0.0
    anchors = _anchors(tower.name, values)
    if anchors:
        place, turned = _from_anchors(place, column, anchors, measured)
    else:
        place = replace(
            place,
            offset=_or(given("offset"), place.offset),
            forward=_or(given("forward"), place.forward),
        )
    place = replace(place, height=_or(given("height"), place.height), yaw=place.yaw + turned)
    leant = leaning(place, column, _or(given("lean_along"), 0.0), _or(given("lean_across"), 0.0))
    # what was measured of the camera itself stays
    place = replace(
        leant,
        offset=place.offset if given("offset") is not None else leant.offset,
        forward=place.forward if given("forward") is not None else leant.forward,
        height=place.height if given("height") is not None else leant.height,
        yaw=_or(given("yaw"), leant.yaw),
        pitch=_or(given("pitch"), leant.pitch),
        roll=_or(given("roll"), leant.roll),
    )
    if skew:
        where = rotation_z(-skew) @ np.array([place.forward, place.offset, 0.0])
        place = replace(place, forward=float(where[0]), offset=float(where[1]))
    return place


def _or(value: float | None, other: float) -> float:
    return other if value is None else value


def _anchors(name: str, values: Mapping[str, float]) -> dict[str, tuple[float, float]]:
    start = f"{name}/anchors/"
    points = {key.removeprefix(start).partition("/")[0] for key in values if key.startswith(start)}
    return {
        p: (values[f"{start}{p}/across"], values[f"{start}{p}/behind"]) for p in sorted(points)
    }


def _from_anchors(
    place: Placement,
    column: Column,
    anchors: Mapping[str, tuple[float, float]],
    measured: Measured,
) -> tuple[Placement, float]:
    """Return the placement of a base moved onto its anchor points, and the base's turn.

    The rigid motion in the plane that fits best, by the closed form of two-dimensional
    Procrustes (Kabsch 1976 in the plane).
    """
    side = math.copysign(1.0, place.offset)
    planned = {a.name: np.array([a.x, a.y]) for a in anchors_of(place, column)}
    names = list(anchors)
    ours = np.stack([planned[n] for n in names])
    found = np.array([[anchors[n][1], side * anchors[n][0]] for n in names])
    a, b = ours - ours.mean(axis=0), found - found.mean(axis=0)
    turn = math.atan2(float(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])), float(np.sum(a * b)))
    rotation = rotation_z(turn)[:2, :2]
    misfit = float(np.sqrt(np.mean(np.sum((b - a @ rotation.T) ** 2, axis=1))))
    if misfit > WORST_ANCHORS:
        raise ConfigError(
            f"{measured.path}: anchors: the points are {1000.0 * misfit:.0f} mm off a base "
            f"plate's pattern of {1000.0 * column.anchors_across:.0f} by "
            f"{1000.0 * column.anchors_along:.0f} mm; at most {1000.0 * WORST_ANCHORS:.0f} is "
            "plausible"
        )
    base = np.array(base_centre(place, column))
    moved = found.mean(axis=0) + rotation @ (base - ours.mean(axis=0))
    camera = moved + rotation @ np.array([-column.reach, 0.0])
    return replace(place, forward=float(camera[0]), offset=float(camera[1])), turn


def _aimed(
    tower: Tower,
    place: Placement,
    measured: Measured,
    values: Mapping[str, float],
    further: float,
) -> Placement:
    """Return the placement turned so that targets appear where they were seen.

    Yaw and pitch by least squares; roll too with two targets or more, unless it was measured.
    """
    wheels = measured.seen[tower.name]
    rolls = len(wheels) > 1 and f"{tower.name}/roll" not in values
    pixels = np.array(
        [[values[f"{tower.name}/seen/{i}/{axis}"] for axis in "uv"] for i in range(len(wheels))]
    )
    centres = np.stack([w.T_bay_target.translation for w in wheels]) - [further, 0.0, 0.0]
    try:
        return turned_to(place, tower.camera, centres, pixels, rolls)
    except GeometryError as error:
        raise ConfigError(
            f"{measured.path}: seen: the {tower.name} tower can't see these targets: {error}"
        ) from error


def turned_to(
    place: Placement, camera: Camera, centres: Array, pixels: Array, rolls: bool
) -> Placement:
    """Return a placement turned so that points appear where they were seen, by least squares.

    Parameters
    ----------
    place : Placement
        Where the camera stands, and about how it looks.
    camera : Camera
        Its intrinsics.
    centres : (N, 3) float64
        Points, bay frame, metres.
    pixels : (N, 2) float64
        Where they were seen.
    rolls : bool
        Whether roll is found too, which takes two points; else it stays.

    Raises
    ------
    GeometryError
        A point comes behind the camera or outside the lens model's domain.
    """
    start = np.array([place.yaw, place.pitch, place.roll][: 3 if rolls else 2])

    def turned(x: Array) -> Placement:
        roll = float(x[2]) if rolls else place.roll
        return replace(place, yaw=float(x[0]), pitch=float(x[1]), roll=roll)

    def residuals(x: Array) -> Array:
        seen = turned(x).T_bay_camera().inverse() @ centres
        return np.asarray((project_camera(seen, camera) - pixels).ravel())

    found = scipy.optimize.least_squares(
        residuals, start, x_scale=0.01, xtol=1e-12, ftol=1e-12, gtol=1e-12
    )
    return turned(found.x)


def differences(plan: Bay, built: Bay) -> list[tuple[str, str, float, float]]:
    """Return tower, component, plan and as built, of every number of every placement."""
    found = []
    for before, after in zip(plan.towers, built.towers, strict=True):
        for name in COMPONENTS:
            values = getattr(before.placement, name), getattr(after.placement, name)
            found.append((before.name, name, *values))
    return found
