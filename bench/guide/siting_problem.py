"""Siting as a problem of optimisation: many layouts at once to uncertainties and room left."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product

import numpy as np

from bench.geometry.pose import Pose
from bench.geometry.rotation import rotation_z
from bench.guide.constraints import MOST_DEFOCUS_PX, SCALES, Unit, defocus_px
from bench.guide.floor_space import floor_space
from bench.guide.layout import Layout, tower_pair
from bench.guide.look import corner_points, look
from bench.guide.predict import COVERAGE, Predictor
from bench.guide.sight_lines import SightLines
from bench.guide.sighting import EDGES
from bench.scene.model import R_BAY_LEVEL_CAMERA, Bay, Tower, wheels_of_tower
from bench.scene.vehicle import Mount, Wheel
from bench.typing import Array, IntArray

VARIABLES = ("spacing", "height", "standoff", "yaw", "pitch")
LEAST_DEPTH = 0.2  # m before the camera's plane, so that nothing beside or behind it passes


@dataclass(frozen=True)
class Label:
    """What a column of room is about; see `bench.guide.constraints.Constraint`."""

    name: str
    where: str
    unit: Unit
    scale: float


@dataclass(frozen=True, eq=False)
class Judged:
    """L layouts judged.

    Attributes
    ----------
    shares : (L, K) float64
        Expanded uncertainty over tolerance, toe and camber of every sighting.
    room : (L, M) float64
        Slack of every constraint in units of its scale; negative where it is broken.
    """

    shares: Array
    room: Array

    @property
    def worst(self) -> Array:
        """The largest share of each layout (L,)."""
        return np.asarray(self.shares.max(axis=-1))

    @property
    def violation(self) -> Array:
        """The largest violation of each layout (L,), 0 where all constraints are kept."""
        return np.asarray(np.maximum(0.0, -self.room.min(axis=-1)))


@dataclass(frozen=True, eq=False)
class Side:
    """One tower and the targets that it looks at, in every setting of their mounts.

    Attributes
    ----------
    tower : Tower
        With the lens tried.
    wheels : tuple of Wheel
        N of them.
    groups : (N,) int64
        Which mount, by number, each wheel's target is on.
    rotations : (P, N, 3, 3) float64
        Of the targets in the bay, for each setting.
    translations : (N, 3) float64
        At the bay's own standoff.
    """

    tower: Tower
    wheels: tuple[Wheel, ...]
    groups: IntArray
    rotations: Array
    translations: Array


@dataclass(frozen=True, eq=False)
class Problem:
    """A bay to be sited with one lens.

    Attributes
    ----------
    bay : Bay
        Vehicles, stations, surroundings, tolerance and siting space.
    sides : tuple of Side
        Both towers; one alone where the other is its mirror image.
    mounts : tuple of (str, str)
        Vehicle and axle of each mount.
    settings : tuple of tuple of (float, float)
        Turns and pitches, radians, that each mount may be set to; one keeps what the file says.
    predictor : Predictor
        Quick.
    sight_lines : SightLines or None
        Visible fractions; None leaves them out.
    scale : float
        Of the target, 1 for the bay's own.
    """

    bay: Bay
    sides: tuple[Side, ...]
    mounts: tuple[tuple[str, str], ...]
    settings: tuple[tuple[tuple[float, float], ...], ...]
    predictor: Predictor
    sight_lines: SightLines | None = None
    scale: float = 1.0

    @cached_property
    def limits(self) -> tuple[Array, Array]:
        """Least and greatest of `VARIABLES`, (5,) each."""
        ends = np.array([getattr(self.bay.siting, name) for name in VARIABLES], dtype=np.float64)
        return ends[:, 0], ends[:, 1]

    def layout(self, x: Array) -> Layout:
        """Return variables (5,) as a layout with this problem's lens."""
        camera = self.sides[0].tower.camera
        length = None if camera.pixel_pitch is None else camera.fx * camera.pixel_pitch
        spacing, height, standoff, yaw, pitch = map(float, x)
        return Layout(spacing, height, standoff, yaw, pitch, length)

    def judge(self, x: Array, choice: IntArray) -> Judged:
        """Return layouts judged.

        Parameters
        ----------
        x : (L, 5) float64
            Layouts, see `VARIABLES`.
        choice : (G,) int64
            Setting of each mount.
        """
        parts = [self._judge_side(side, x, choice) for side in self.sides]
        shares = np.concatenate([p[0] for p in parts], axis=-1)
        room = np.concatenate([p[1] for p in parts], axis=-1)
        return Judged(shares, room)

    @cached_property
    def labels(self) -> tuple[Label, ...]:
        """What the columns of `Judged.room` are about."""
        found: list[Label] = []
        for side in self.sides:
            names = [_where(side.tower, wheel) for wheel in side.wheels]
            for i, edge in product(range(len(names)), EDGES):
                found.append(
                    Label("margin", f"{names[i]}, {edge} edge", "plate widths", SCALES["margin"])
                )
            for kind in ("least tilt", "greatest tilt"):
                found += [Label(kind, name, "rad", SCALES[kind]) for name in names]
            found += [Label("before the camera", n, "m", SCALES["length"]) for n in names]
            if self._has_focus(side):
                found += [Label("focus", name, "px", SCALES["focus"]) for name in names]
            if self.sight_lines is not None:
                found += [Label("visible", name, "", SCALES["visible"]) for name in names]
            for name in self._floor(side, np.zeros((1, len(VARIABLES)))):
                found.append(Label(name, side.tower.name, "m", SCALES["length"]))
        return tuple(found)

    @cached_property
    def share_labels(self) -> tuple[str, ...]:
        """What the columns of `Judged.shares` are about."""
        return tuple(
            f"{kind} of {_where(side.tower, wheel)}"
            for side in self.sides
            for kind in ("toe", "camber")
            for wheel in side.wheels
        )

    @cached_property
    def of_sight(self) -> Array:
        """Which constraints (M,) a better aim gives more room: those of sightings."""
        kinds = ("margin", "least tilt", "greatest tilt", "visible")
        return np.array([label.name in kinds for label in self.labels])

    def choose(self, x: Array, choice: IntArray) -> IntArray:
        """Return, for a layout (5,), the setting of each mount that suits its targets best.

        First the least violation of what depends on it, then the least uncertainty.
        """
        counts = np.array([len(settings) for settings in self.settings])
        if counts.max() < 2:
            return choice
        score = np.full((counts.max(), len(self.mounts)), -np.inf)
        for p in range(counts.max()):
            same = np.minimum(p, counts - 1)
            for side in self.sides:
                shares, room = self._judge_side(side, x[None], same)
                n = len(side.wheels)
                worst = np.log(np.maximum(shares[0, :n], shares[0, n : 2 * n]))
                tilt = np.minimum(room[0, 4 * n : 5 * n], room[0, 5 * n : 6 * n])
                each = worst + 1e3 * np.maximum(0.0, -tilt)
                for g in range(len(self.mounts)):
                    mine = side.groups == g
                    if np.any(mine):
                        score[p, g] = max(
                            score[p, g] if score[p, g] else -np.inf, each[mine].max()
                        )
        # of equals the first, so that rounding doesn't decide
        return np.asarray(np.argmin(np.round(score, 9), axis=0), dtype=np.int64)

    def _judge_side(self, side: Side, x: Array, choice: IntArray) -> tuple[Array, Array]:
        spacing, height, standoff, yaw, pitch = (x[:, i] for i in range(5))
        tower, space = side.tower, self.bay.siting
        way = math.copysign(1.0, tower.placement.offset)
        R_bay_camera = _rotations(way * yaw, pitch, tower.placement.roll)
        eye = np.stack((np.full(len(x), tower.placement.forward), way * 0.5 * spacing, height), -1)
        targets = np.broadcast_to(side.translations, (len(x), *side.translations.shape)).copy()
        targets[..., 0] -= (standoff - self.bay.standoff)[:, None]
        rotations = side.rotations[choice[side.groups], np.arange(len(side.wheels))]
        outline = self.scale * self.bay.target.drawing.outline
        points = self.scale * corner_points(self.bay.target)
        looks = look(
            tower.camera, (R_bay_camera, eye), (rotations[None], targets), outline, points
        )
        toe, camber, _, _, _ = self.predictor.arrays(looks)
        tolerance = self.bay.tolerance
        shares = COVERAGE * np.concatenate((toe / tolerance.toe, camber / tolerance.camber), -1)
        margins = looks.edges_px(tower.camera) / looks.width_px[..., None] - space.margin
        room = [
            margins.reshape(len(x), -1) / SCALES["margin"],
            (looks.tilt - space.tilt[0]) / SCALES["least tilt"],
            (space.tilt[1] - looks.tilt) / SCALES["greatest tilt"],
            (looks.depth - LEAST_DEPTH) / SCALES["length"],
        ]
        if self._has_focus(side):
            blur = defocus_px(tower.camera, tower.imaging.optics, looks.depth)
            room.append((MOST_DEFOCUS_PX - blur) / SCALES["focus"])
        if self.sight_lines is not None:
            visible = self.sight_lines.at(tower.name, x[:, :3])
            room.append((visible - space.visible) / SCALES["visible"])
        floor = self._floor(side, x)
        room += [slack[:, None] / SCALES["length"] for slack in floor.values()]
        return shares, np.concatenate(room, axis=-1)

    def _floor(self, side: Side, x: Array) -> dict[str, Array]:
        place = side.tower.placement
        return floor_space(
            self.bay,
            math.copysign(0.5, place.offset) * x[:, 0],
            np.full(len(x), place.forward),
            x[:, 1],
            x[:, 2] - self.bay.standoff,
        )

    def _has_focus(self, side: Side) -> bool:
        return side.tower.imaging.optics.focus_distance is not None


def make_problem(bay: Bay, predictor: Predictor, settings: bool = True) -> Problem:
    """Return a bay's problem with the lens it has.

    Parameters
    ----------
    bay : Bay
        Two towers, one on each side.
    predictor : Predictor
        Made quick here.
    settings : bool
        Whether mounts may be set anew, where they have more than one preset.

    Raises
    ------
    ConfigError
        The towers aren't two, one on each side of the centre line.
    GeometryError
        The predictor finds no image of the target, see `Predictor.quick`.
    """
    towers = tower_pair(bay)
    mounts = _mounts(bay)
    allowed = tuple(
        tuple(product(m.turn_presets, m.pitch_presets)) if settings else ((m.turn, m.pitch),)
        for m in mounts.values()
    )
    sides = tuple(_side(bay, tower, tuple(mounts), allowed) for tower in towers)
    if _mirrored(*towers):
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
    )


def _pose(wheel: Wheel, setting: tuple[float, float]) -> Pose:
    turn, pitch = setting
    return replace(wheel, mount=replace(wheel.mount, turn=turn, pitch=pitch)).T_bay_target


def _mirrored(left: Tower, right: Tower) -> bool:
    """Tell whether a right tower sees the mirror image of what the left one sees."""
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


def _rotations(yaw: Array, pitch: Array, roll: float) -> Array:
    """Return R_bay_camera (L, 3, 3), see `bench.scene.model.Placement`."""
    cy, sy, cp, sp = np.cos(yaw), np.sin(yaw), np.cos(pitch), np.sin(pitch)
    about_z, about_x = np.zeros((2, len(yaw), 3, 3))
    about_z[:, 0, 0] = about_z[:, 1, 1] = cy
    about_z[:, 0, 1], about_z[:, 1, 0] = -sy, sy
    about_z[:, 2, 2] = about_x[:, 0, 0] = 1.0
    about_x[:, 1, 1] = about_x[:, 2, 2] = cp
    about_x[:, 1, 2], about_x[:, 2, 1] = -sp, sp
    return np.asarray(about_z @ R_BAY_LEVEL_CAMERA @ about_x @ rotation_z(roll))


def _where(tower: Tower, wheel: Wheel) -> str:
    return f"{tower.name}: {wheel.vehicle} {wheel.name} at {wheel.station}"
