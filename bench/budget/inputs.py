"""The inputs of a vehicle's budget: every cause with its distribution and its columns."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from bench.budget.distributions import (
    Distribution,
    Inputs,
    JointNormal,
    Normal,
    Rectangular,
    Source,
)
from bench.budget.registration import RegistrationResponse
from bench.budget.views import Reading, WheelViews
from bench.scene.budget_terms import BudgetTerms
from bench.scene.model import Tower
from bench.solve.response import PLATE, PRINT
from bench.typing import Array

_Pick = Callable[..., Array]
POSE, FLATNESS, PRINTING = "target pose", "target flatness", "print scale"
INTRINSICS, REGISTRATION, LEVEL = "intrinsics", "registration", "level"
RUN_OUT, MOUNT, MOVEMENT = "run-out", "mount play", "tower movement"
TEMPERATURE, OPERATOR = "temperature", "operator"
CONTRIBUTIONS = (
    POSE,
    FLATNESS,
    PRINTING,
    INTRINSICS,
    REGISTRATION,
    LEVEL,
    RUN_OUT,
    MOUNT,
    MOVEMENT,
    TEMPERATURE,
    OPERATOR,
)


@dataclass(frozen=True, eq=False)
class Causes:
    """A vehicle's inputs, and how the chain's own errors follow from them.

    Every matrix takes a row of inputs (P,) to small rotations (radians) and shifts (metres).

    Attributes
    ----------
    inputs : Inputs
        All causes.
    rolled : tuple of tuple of (6, P) float64
        Pose error (ω, τ) of each reading of each rolled wheel.
    play : tuple of tuple of (3, P) float64
        Turn of the wheel about the bay's axes in the same readings.
    rest : tuple of (6, P) float64
        Pose error of each wheel's reading at rest.
    slip, centring : tuple of (3, P) float64
        Of each wheel, turn of its clamp and place of its target, bay axes.
    operator : tuple of (2, P) float64
        Of each wheel, the operator's share of toe and camber.
    transform : (6, P) float64
        Error of the right camera's pose in the left one's frame.
    level : (3, P) float64
        Error of the level, about the bay's axes.
    moved : tuple of (6, P) float64
        Of each tower, its turn and shift, bay axes.
    """

    inputs: Inputs
    rolled: tuple[tuple[Array, ...], ...]
    play: tuple[tuple[Array, ...], ...]
    rest: tuple[Array, ...]
    slip: tuple[Array, ...]
    centring: tuple[Array, ...]
    operator: tuple[Array, ...]
    transform: Array
    level: Array
    moved: tuple[Array, ...]


class _Columns:
    """Sources as they are added, and matrices that pick their columns."""

    def __init__(self) -> None:
        self.sources: list[Source] = []
        self.size = 0

    def add(self, name: str, *distributions: Distribution | JointNormal) -> slice:
        start = self.size
        for d in distributions:
            self.sources.append(Source(name, d))
            self.size += self.sources[-1].size
        return slice(start, self.size)


def _normal(sigma: float, n: int) -> list[Normal]:
    return [Normal(0.0, sigma)] * n


def _limits(half: float, n: int) -> list[Rectangular]:
    return [Rectangular(-half, half)] * n


def causes_of(
    views: Sequence[WheelViews],
    towers: tuple[Tower, Tower],
    terms: BudgetTerms,
    registration: RegistrationResponse,
    level: Array,
) -> Causes:
    """Return a vehicle's inputs.

    Parameters
    ----------
    views : sequence of WheelViews
        Of its wheels.
    towers : (Tower, Tower)
        Left and right.
    terms : BudgetTerms
        Sizes of causes.
    registration : RegistrationResponse
        Of the registration.
    level : (2, 2) float64
        Covariance of the level from noise and reference, about the bay's x and y, radians².
    """
    columns = _Columns()
    # the modes of a camera's errors are of one standard deviation each
    cameras = [columns.add(INTRINSICS, *_normal(1.0, n)) for n in registration.sizes[:2]]
    printed = columns.add(
        PRINTING, Normal(0.0, terms.print_scale), Normal(0.0, terms.print_aspect)
    )
    bar_plates = columns.add(FLATNESS, *_limits(terms.flatness, 2 * len(PLATE)))
    warmth = columns.add(TEMPERATURE, *_limits(terms.temperature, 1))
    growth = columns.add(TEMPERATURE, *_limits(terms.temperature_in_registration, 1))
    longer = columns.add(TEMPERATURE, *_limits(terms.temperature_from_calibration, 1))
    bends = [columns.add(TEMPERATURE, *_limits(terms.temperature_across, 2)) for _ in towers]
    tied = columns.add(REGISTRATION, JointNormal(np.zeros(6), registration.covariance))
    levelled = columns.add(LEVEL, JointNormal(np.zeros(2), level))
    moves = [
        columns.add(MOVEMENT, *_normal(terms.tower_turn, 3), *_normal(terms.tower_shift, 3))
        for _ in towers
    ]
    plates, rolled, plays, rest, slips, places, hands = [], [], [], [], [], [], []
    for view in views:
        plates.append(columns.add(FLATNESS, *_limits(terms.flatness, len(PLATE))))
        rolled.append(
            [
                columns.add(RUN_OUT, JointNormal(np.zeros(3), r.covariance[:3, :3]))
                for r in view.rolled
            ]
        )
        plays.append([columns.add(RUN_OUT, *_normal(terms.bearing_play, 2)) for _ in view.rolled])
        rest.append(columns.add(POSE, JointNormal(np.zeros(6), view.rest.covariance)))
        slips.append(columns.add(MOUNT, *_limits(terms.mount_play, 3)))
        places.append(columns.add(MOUNT, *_limits(terms.mount_centring, 3)))
        hands.append(columns.add(OPERATOR, *_normal(terms.operator, 2)))
    size = columns.size

    def pick(rows: int, *parts: tuple[slice, slice, Array]) -> Array:
        """Return a matrix (rows, P) with blocks set: rows, columns, block."""
        matrix = np.zeros((rows, size))
        for row, column, block in parts:
            matrix[row, column] += block
        return matrix

    def systematic(reading: Reading, side: int, plate: slice) -> Array:
        """Return the part of a pose error that isn't noise, (6, P)."""
        six, n, by_face = slice(0, 6), len(PRINT), reading.by_face
        matrix = pick(
            6,
            (six, cameras[side], reading.by_camera),
            (six, printed, by_face[:, :n]),
            (six, plate, by_face[:, n:]),
        )
        heat = terms.target_expansion * by_face[:, 0] + terms.lens_expansion * reading.by_focal
        matrix[:, warmth] += heat[:, None]
        return matrix

    whole, turn = slice(0, 6), slice(0, 3)
    about_x_and_z = np.array([[1.0, 0.0], [0.0, 0.0], [0.0, 1.0]])
    all_rolled, all_play, all_rest = [], [], []
    for i, view in enumerate(views):
        readings = []
        for reading, noise in zip(view.rolled, rolled[i], strict=True):
            matrix = systematic(reading, view.tower, plates[i])
            readings.append(matrix + pick(6, (turn, noise, np.eye(3))))
        all_rolled.append(tuple(readings))
        all_play.append(tuple(pick(3, (turn, p, about_x_and_z)) for p in plays[i]))
        matrix = systematic(view.rest, view.tower, plates[i])
        all_rest.append(matrix + pick(6, (whole, rest[i], np.eye(6))))
    # which columns the registration's answers belong to, in its own order
    sizes = registration.sizes
    own = np.zeros((sum(sizes), size))
    starts = np.cumsum((0, *sizes))
    for block, where in ((0, cameras[0]), (1, cameras[1]), (2, printed)):
        own[starts[block] : starts[block + 1], where] = np.eye(sizes[block])
    own[starts[3] : starts[5], bar_plates] = np.eye(2 * len(PLATE))
    own[starts[5], growth] = terms.bar_expansion
    own[starts[6], longer] = terms.bar_expansion
    return Causes(
        Inputs(columns.sources),
        tuple(all_rolled),
        tuple(all_play),
        tuple(all_rest),
        tuple(pick(3, (turn, s, np.eye(3))) for s in slips),
        tuple(pick(3, (turn, p, np.eye(3))) for p in places),
        tuple(pick(2, (slice(0, 2), h, np.eye(2))) for h in hands),
        registration.transform @ own + pick(6, (whole, tied, np.eye(6))),
        # what the bar seems to slope is taken off everything
        pick(3, (slice(0, 2), levelled, np.eye(2)))
        - np.outer([1.0, 0.0, 0.0], registration.roll @ own),
        tuple(
            _movement(tower, terms, pick, move, bend)
            for tower, move, bend in zip(towers, moves, bends, strict=True)
        ),
    )


def _movement(tower: Tower, terms: BudgetTerms, pick: _Pick, move: slice, bend: slice) -> Array:
    """Return a tower's turn and shift (6, P): it moved, or its column bent.

    A column of height h and depth d that is warmer by ΔT on one side bends to a curvature
    α ΔT / d: its top turns by h times that and shifts by h²/2 times it.
    """
    h = tower.placement.height
    curvature = terms.column_expansion / terms.column_depth
    # about the bay's x and y; a turn about y carries the top along x, one about x along -y
    bent = np.zeros((6, 2))
    bent[0, 0] = bent[1, 1] = curvature * h
    bent[4, 0], bent[3, 1] = -0.5 * curvature * h**2, 0.5 * curvature * h**2
    whole = slice(0, 6)
    return pick(6, (whole, move, np.eye(6)), (whole, bend, bent))
