"""The measurement chain from targets' poses to toe, camber and thrust, for many draws at once.

As the bay does it: a wheel's axis is found from the rolling wheel in its target's frame; a
reading at rest carries it into the tower's frame; the registration carries the right tower's
frame into the left one's; the level turns that upright; the wheels' centres give the centre
line; toe, camber and thrust follow. Every step has its error, so that causes which several
readings share act together or cancel as they would.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from bench.budget.inputs import Causes
from bench.budget.views import WheelViews
from bench.scene.model import Tower
from bench.typing import Array

_Errors = Mapping[tuple[str | int, ...], Array]


@dataclass(frozen=True)
class Measurand:
    """One number that the user of the bay reads.

    Attributes
    ----------
    kind : str
        ``toe``, ``camber`` or ``thrust``: whose tolerance holds; ``total toe`` has none.
    axle : str
        Name; empty for the vehicle's thrust angle.
    side : str
        ``left``, ``right`` or empty.
    reference : str
        Line or plane that the angle is measured from.
    """

    kind: str
    axle: str
    side: str
    reference: str

    @property
    def name(self) -> str:
        """Such as ``"front left toe"``."""
        words = " ".join(w for w in (self.axle, self.side, self.kind) if w)
        return f"{words} to thrust line" if self.reference == "thrust line" else words


def measurands(axles: Sequence[str]) -> tuple[Measurand, ...]:
    """Return what is measured on a vehicle with these axles, near (front) one first."""
    found = []
    for axle in axles:
        found += [Measurand("toe", axle, side, "centre line") for side in ("left", "right")]
        if axle != axles[-1]:
            found += [Measurand("toe", axle, side, "thrust line") for side in ("left", "right")]
        found.append(Measurand("total toe", axle, "", "the other wheel"))
        found += [Measurand("camber", axle, side, "level") for side in ("left", "right")]
    found.append(Measurand("thrust", "", "", "centre line"))
    return tuple(found)


class Chain:
    """The chain of one vehicle at one station; call it with draws.

    Parameters
    ----------
    views : sequence of WheelViews
        Left and right wheel of each axle, near axle first.
    towers : (Tower, Tower)
        Left and right.
    causes : Causes
        Where errors come from.
    """

    def __init__(
        self, views: Sequence[WheelViews], towers: tuple[Tower, Tower], causes: Causes
    ) -> None:
        self.views, self.towers, self.causes = tuple(views), towers, causes
        self.axles = tuple(dict.fromkeys(view.wheel.axle for view in views))
        self.measurands = measurands(self.axles)
        self._places: dict[tuple[str | int, ...], slice] = {}
        left, right = (tower.T_bay_camera.rotation for tower in towers)
        blocks: list[Array] = []
        for i, view in enumerate(self.views):
            for k, (pose, play) in enumerate(zip(causes.rolled[i], causes.play[i], strict=True)):
                self._put(blocks, ("rolled", i, k), pose[:3])
                self._put(blocks, ("play", i, k), play)
            shift = towers[view.tower].T_bay_camera.rotation @ causes.rest[i][3:]
            self._put(blocks, ("rest", i), causes.rest[i][:3])
            self._put(blocks, ("place", i), shift + causes.centring[i])
            self._put(blocks, ("slip", i), causes.slip[i])
            self._put(blocks, ("operator", i), causes.operator[i])
        for side, moved in enumerate(causes.moved):
            self._put(blocks, ("turned back", side), -moved[:3])
            self._put(blocks, ("moved", side), moved[3:])
        self._put(blocks, ("tie turn",), right @ causes.transform[:3])
        self._put(blocks, ("tie shift",), left @ causes.transform[3:])
        self._put(blocks, ("level",), causes.level)
        # few causes act on each error: sparse, and once for all, is ten times as quick
        self._errors_by_cause = scipy.sparse.csr_array(np.vstack(blocks))

    def _put(self, blocks: list[Array], key: tuple[str | int, ...], block: Array) -> None:
        start = sum(len(b) for b in blocks)
        self._places[key] = slice(start, start + len(block))
        blocks.append(block)

    def __call__(self, x: Array) -> Array:
        """Return the measurands (N, Q), degrees, of draws (N, P); all are 0 in truth."""
        errors = (self._errors_by_cause @ x.T).T
        at = {key: errors[:, place] for key, place in self._places.items()}
        axes, centres = [], []
        for i, view in enumerate(self.views):
            axis, centre = self._wheel(i, view, at)
            axes.append(axis)
            centres.append(centre)
        return self._angles(np.stack(axes, axis=1), np.stack(centres, axis=1), at)

    def _wheel(self, i: int, view: WheelViews, at: _Errors) -> tuple[Array, Array]:
        """Return a wheel's outward axis and centre (N, 3) as the bay has them."""
        outward = 1.0 if view.wheel.side == "left" else -1.0
        rest = view.rest.T_bay_target
        # the target as its camera has it, in the bay: R exp(ω); the wheel itself turns before
        rolled = [
            _turn(at["play", i, k]) @ reading.T_bay_target.rotation @ _turn(at["rolled", i, k])
            for k, reading in enumerate(view.rolled)
        ]
        axis_target = common_axis(rolled, rest.rotation.T @ np.array([0.0, outward, 0.0]))
        resting = _turn(at["slip", i]) @ rest.rotation @ _turn(at["rest", i])
        to_centre = rest.rotation.T @ (view.wheel.centre - rest.translation)
        centre = rest.translation + at["place", i] + resting @ to_centre
        return self._tied(view.tower, _times(resting, axis_target), centre, at)

    def _tied(self, side: int, axis: Array, centre: Array, at: _Errors) -> tuple[Array, Array]:
        """Carry a wheel from its tower's frame to the levelled frame of the bay."""
        eye = self.towers[side].T_bay_camera.translation
        # a tower that turned sees everything turned back
        back = _turn(at["turned back", side])
        axis = _times(back, axis)
        arm = _times(back, centre - eye - at["moved", side])
        if side == 1:
            tie = _turn(at["tie turn",])
            axis, arm = _times(tie, axis), _times(tie, arm) + at["tie shift",]
        level = _turn(at["level",])
        return _times(level, axis), _times(level, eye + arm)

    def _angles(self, axes: Array, centres: Array, at: _Errors) -> Array:
        """Return the measurands (N, Q), degrees, from axes and centres (N, W, 3).

        Signs as of `bench.geometry.wheel_angles`: toe-in and top outward are positive, thrust is
        positive to the left.
        """
        left, right = axes[:, 0::2], axes[:, 1::2]
        middle = 0.5 * (centres[:, 0::2] + centres[:, 1::2])
        ahead = middle[:, 0] - middle[:, -1]
        if len(self.axles) == 1:  # the centre line is square to the line through both wheels
            across = centres[:, 0] - centres[:, 1]
            ahead = np.stack((across[:, 1], -across[:, 0], across[:, 2]), axis=1)
        heading = np.arctan2(ahead[:, 1], ahead[:, 0])[:, None]
        # a wheel's own heading about z, from its outward axis
        toe_left = np.arctan2(left[..., 0], left[..., 1]) + heading
        toe_right = np.arctan2(right[..., 0], -right[..., 1]) - heading
        camber = [-np.arcsin(np.clip(w[..., 2], -1.0, 1.0)) for w in (left, right)]
        hands = np.stack([at["operator", i] for i in range(len(self.views))], axis=1)
        toe_left, toe_right = toe_left + hands[:, 0::2, 0], toe_right + hands[:, 1::2, 0]
        camber = [camber[0] + hands[:, 0::2, 1], camber[1] + hands[:, 1::2, 1]]
        thrust = 0.5 * (toe_right[:, -1] - toe_left[:, -1])
        found = []
        for a, axle in enumerate(self.axles):
            found += [toe_left[:, a], toe_right[:, a]]
            if axle != self.axles[-1]:
                found += [toe_left[:, a] + thrust, toe_right[:, a] - thrust]
            found.append(toe_left[:, a] + toe_right[:, a])
            found += [camber[0][:, a], camber[1][:, a]]
        found.append(thrust)
        return np.stack(found, axis=1) * (180.0 / math.pi)


def common_axis(rotations: Sequence[Array], start: Array) -> Array:
    """Return the direction (N, 3) in a target's frame that a set of its rotations leaves fixed.

    The unit a that minimises Σ |R_k a - mean(R a)|²: the eigenvector of Σ D_kᵀ D_k to its least
    eigenvalue, D_k = R_k - mean R. That eigenvalue is of the order of the noise's square, so
    that two steps of inverse iteration by the adjugate leave nothing.

    Parameters
    ----------
    rotations : sequence of (N, 3, 3) float64
        One a reading.
    start : (3,) float64
        Near the answer; gives its sign.
    """
    stack = np.stack(rotations)
    apart = stack - stack.mean(axis=0)
    normal = np.einsum("knji,knjl->nil", apart, apart)
    rows = [normal[:, i] for i in range(3)]
    adjugate = np.stack(
        [np.cross(rows[1], rows[2]), np.cross(rows[2], rows[0]), np.cross(rows[0], rows[1])],
        axis=2,
    )
    axis = np.broadcast_to(start, (len(normal), 3))
    for _ in range(2):
        axis = np.einsum("nij,nj->ni", adjugate, axis)
        axis = axis / np.linalg.norm(axis, axis=1, keepdims=True)
    # the adjugate's own sign is the smaller eigenvalues' product's, which rounding can turn
    sign = np.sign(axis @ start)
    return np.asarray(axis * sign[:, None])


def _turn(rotvec: Array) -> Array:
    """Return rotations (N, 3, 3) of small rotation vectors (N, 3)."""
    return np.asarray(scipy.spatial.transform.Rotation.from_rotvec(rotvec).as_matrix())


def _times(matrices: Array, vectors: Array) -> Array:
    """Return matrices (N, 3, 3) times vectors (N, 3)."""
    return np.asarray(np.einsum("nij,nj->ni", matrices, vectors))
