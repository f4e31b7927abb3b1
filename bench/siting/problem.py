"""Siting as a problem of optimisation: many layouts at once to uncertainties and room left."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product

import numpy as np

from bench.geometry.rotation import rotation_z
from bench.scene.model import R_BAY_LEVEL_CAMERA, Bay, Tower
from bench.scene.vehicle import Wheel
from bench.sighting.own_errors import OwnCauses
from bench.sighting.prediction import COVERAGE, Predictor
from bench.sighting.projections import Projections, corner_points, project_plates
from bench.siting.constraints import MOST_DEFOCUS_PX, SCALES, Unit, defocus_px
from bench.siting.floor_space import floor_space
from bench.siting.sight_lines import SightLines
from bench.siting.tower_layout import Layout
from bench.typing import Array, IntArray

VARIABLES = ("spacing", "height", "standoff", "yaw", "pitch")
# The picture's left, right, upper and lower edge, as the left and the right tower have them.
INNER_FIRST = ("inner", "outer", "upper", "lower")
OUTER_FIRST = ("outer", "inner", "upper", "lower")
DROPPED = 1e3  # room of a constraint that is left out
LEAST_DEPTH = 0.2  # m before the camera's plane, so that nothing beside or behind it passes


@dataclass(frozen=True)
class Label:
    """What a column of room is about; see `bench.siting.constraints.Constraint`."""

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
    correction : (2, N) float64
        What predictions of toe and camber are multiplied by, to agree with the exact bound.
    """

    tower: Tower
    wheels: tuple[Wheel, ...]
    groups: IntArray
    rotations: Array
    translations: Array
    correction: Array


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
    dropped : frozenset of str
        Names of constraints that are left out, to see what they cost.
    """

    bay: Bay
    sides: tuple[Side, ...]
    mounts: tuple[tuple[str, str], ...]
    settings: tuple[tuple[tuple[float, float], ...], ...]
    predictor: Predictor
    sight_lines: SightLines | None = None
    scale: float = 1.0
    dropped: frozenset[str] = frozenset()

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
        if self.dropped:
            room[:, [label.name in self.dropped for label in self.labels]] = DROPPED
        return Judged(shares, room)

    @cached_property
    def labels(self) -> tuple[Label, ...]:
        """What the columns of `Judged.room` are about."""
        found: list[Label] = []
        for side in self.sides:
            names = [_where(side.tower, wheel) for wheel in side.wheels]
            edges = INNER_FIRST if side.tower.placement.offset > 0.0 else OUTER_FIRST
            for i, edge in product(range(len(names)), edges):
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
                        score[p, g] = max(score[p, g], each[mine].max())
        # of equals the first, so that rounding doesn't decide
        return np.asarray(np.argmin(np.round(score, 9), axis=0), dtype=np.int64)

    def edge_room(self, x: Array, choice: IntArray) -> tuple[Array, Array]:
        """Return how much room the first side's targets leave to each edge of its picture.

        Parameters as `judge`.

        Returns
        -------
        (L, 4) and (L,) float64
            Least room to inner, outer, upper and lower edge in widths of the plate; and the
            angle of the nearest plate's width, radians.
        """
        side = self.sides[0]
        projections = self._projected(side, x, choice)
        camera = side.tower.camera
        room = np.min(projections.edges_px(camera) / projections.width_px[..., None], axis=1)
        if side.tower.placement.offset < 0.0:
            room = room[:, [1, 0, 2, 3]]
        return room, np.asarray(np.max(projections.width_px, axis=-1) / camera.fx)

    def _projected(self, side: Side, x: Array, choice: IntArray) -> Projections:
        spacing, height, standoff, yaw, pitch = (x[:, i] for i in range(5))
        tower = side.tower
        way = math.copysign(1.0, tower.placement.offset)
        R_bay_camera = _rotations(way * yaw, pitch, tower.placement.roll)
        eye = np.stack((np.full(len(x), tower.placement.forward), way * 0.5 * spacing, height), -1)
        targets = np.broadcast_to(side.translations, (len(x), *side.translations.shape)).copy()
        targets[..., 0] -= (standoff - self.bay.standoff)[:, None]
        rotations = side.rotations[choice[side.groups], np.arange(len(side.wheels))]
        return project_plates(
            tower.camera,
            (R_bay_camera, eye),
            (rotations[None], targets),
            self.scale * self.bay.target.drawing.outline,
            self._points,
            self._causes[side],
            turns_only=True,
        )

    @cached_property
    def _points(self) -> Array:
        return self.scale * corner_points(self.bay.target)

    @cached_property
    def _causes(self) -> dict[Side, OwnCauses | None]:
        return {
            side: self.predictor.causes(self.bay, side.tower.camera, self._points, self.scale)
            for side in self.sides
        }

    def _judge_side(self, side: Side, x: Array, choice: IntArray) -> tuple[Array, Array]:
        tower, space = side.tower, self.bay.siting
        projections = self._projected(side, x, choice)
        # a larger target farther away has the same picture, so ratios are those of a nearer one
        nearer = replace(projections, range=projections.range / self.scale)
        toe, camber, _, _, _ = self.predictor.arrays(nearer)
        tolerance = self.bay.tolerance
        toe, camber = toe * side.correction[0], camber * side.correction[1]
        shares = COVERAGE * np.concatenate((toe / tolerance.toe, camber / tolerance.camber), -1)
        margins = (
            projections.edges_px(tower.camera) / projections.width_px[..., None] - space.margin
        )
        room = [
            margins.reshape(len(x), -1) / SCALES["margin"],
            (projections.tilt - space.tilt[0]) / SCALES["least tilt"],
            (space.tilt[1] - projections.tilt) / SCALES["greatest tilt"],
            (projections.depth - LEAST_DEPTH) / SCALES["length"],
        ]
        if self._has_focus(side):
            blur = defocus_px(tower.camera, tower.imaging.optics, projections.depth)
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
