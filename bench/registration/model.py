"""The joint model of a registration: unknowns, predictions, and their sparse derivatives.

Unknown are ``T_left_right`` between the tower cameras, ``T_a_b`` between the bar's targets, and
``T_left_a`` in every step. Each sight predicts its target's pose by a chain of these::

    left sees A: T_left_a             left sees B: T_left_a T_a_b
    right sees A: T_left_right⁻¹ T_left_a
    right sees B: T_left_right⁻¹ T_left_a T_a_b

so that each step gives ``T_left_a T_a_b = T_left_right T_right_b``. Every pose is changed as
``R ← R exp([ω]×), t ← t + τ``. Where all sights are of one target there is no ``T_a_b``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
import scipy

from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec, right_jacobian
from bench.geometry.uncertain import first_response, inverse_response, second_response
from bench.registration.sights import Cameras, MeasuredPose, Sight, Step
from bench.typing import Array, IntArray


@dataclass(frozen=True, eq=False)
class Unknowns:
    """Values of all that a registration estimates.

    Attributes
    ----------
    T_left_right : Pose
        The right tower's camera in the left one's frame.
    T_a_b : Pose
        Target B in target A's frame; identity where only one target was seen.
    T_left_a : tuple of Pose
        Target A in the left camera's frame, a step each.
    """

    T_left_right: Pose
    T_a_b: Pose
    T_left_a: tuple[Pose, ...]

    def moved(self, x: Array, two_ends: bool) -> Unknowns:
        """Return the unknowns after increments x (P,) in the order of `Model`."""
        blocks = x.reshape(-1, 6)
        first = 2 if two_ends else 1
        return Unknowns(
            _moved(self.T_left_right, blocks[0]),
            _moved(self.T_a_b, blocks[1]) if two_ends else self.T_a_b,
            tuple(_moved(T, b) for T, b in zip(self.T_left_a, blocks[first:], strict=True)),
        )

    def predict(self, step: int, sight: Sight | MeasuredPose) -> Pose:
        """Return the pose of a sight's target in its camera."""
        T = self.T_left_a[step]
        if sight.end == "B":
            T = T @ self.T_a_b
        return T if sight.tower == "left" else self.T_left_right.inverse() @ T


def _moved(T: Pose, change: Array) -> Pose:
    rotation = T.rotation @ exp_rotvec(change[:3])
    # thousands of products would drift from orthonormal
    u, _, vt = np.linalg.svd(rotation)
    return Pose(u @ vt, T.translation + change[3:])


@dataclass(frozen=True, eq=False)
class Model:
    """Residuals and Jacobian of a registration about a start.

    The parameters are increments (ω, τ) of `start`: of T_left_right, of T_a_b where two targets
    were seen, then of T_left_a for each step. All residuals are in standard deviations.

    Attributes
    ----------
    steps : sequence of Step
        What was seen.
    cameras : Cameras
        Intrinsics.
    start : Unknowns
        Where increments are zero.
    length : (float, float) or None
        The bar's calibrated length and its standard uncertainty, metres: one residual more.
    """

    steps: Sequence[Step]
    cameras: Cameras
    start: Unknowns
    length: tuple[float, float] | None = None

    @cached_property
    def two_ends(self) -> bool:
        """Whether both targets were seen."""
        return len({s.end for step in self.steps for s in step.sights}) == 2

    @property
    def n_shared(self) -> int:
        """Number of parameters that all steps share."""
        return 12 if self.two_ends else 6

    @property
    def n_parameters(self) -> int:
        """Number of parameters."""
        return self.n_shared + 6 * len(self.steps)

    @property
    def has_length(self) -> bool:
        """Whether the bar's length is an observation."""
        return self.length is not None and self.two_ends

    @property
    def n_residuals(self) -> int:
        """Number of residuals."""
        return sum(s.size for step in self.steps for s in step.sights) + int(self.has_length)

    @cached_property
    def rows(self) -> tuple[IntArray, ...]:
        """Rows of each step's residuals; the length's own row, if any, comes last."""
        ends = np.cumsum([0] + [sum(s.size for s in step.sights) for step in self.steps])
        return tuple(np.arange(a, b) for a, b in pairwise(ends))

    @cached_property
    def sights(self) -> tuple[tuple[int, Sight | MeasuredPose, IntArray], ...]:
        """Every sight with its step's index and its rows."""
        found, row = [], 0
        for index, step in enumerate(self.steps):
            for sight in step.sights:
                found.append((index, sight, np.arange(row, row + sight.size)))
                row += sight.size
        return tuple(found)

    def residuals(self, x: Array) -> Array:
        """Return all residuals (M,), found minus predicted over standard deviation.

        Raises
        ------
        GeometryError
            A point falls behind a camera.
        """
        unknowns = self.start.moved(x, self.two_ends)
        parts = [
            sight.residual(unknowns.predict(step, sight), self.cameras)
            for step, sight, _ in self.sights
        ]
        if self.length is not None and self.two_ends:
            length, u = self.length
            parts.append(np.array([(length - np.linalg.norm(unknowns.T_a_b.translation)) / u]))
        return np.concatenate(parts)

    def jacobian(self, x: Array) -> scipy.sparse.csr_array:
        """Return the derivative (M, P) of `residuals`, sparse."""
        unknowns = self.start.moved(x, self.two_ends)
        # the increments' own curvature: exp(ω + dω) = exp(ω) exp(J dω)
        turns = right_jacobian(x.reshape(-1, 6)[:, :3])
        data: list[Array] = []
        columns: list[IntArray] = []
        counts: list[IntArray] = []
        for step, sight, _ in self.sights:
            chain, where = self._chain(unknowns, step, sight)
            for i, first in enumerate(where):
                chain[:, 6 * i : 6 * i + 3] = chain[:, 6 * i : 6 * i + 3] @ turns[first // 6]
            block = sight.jacobian(unknowns.predict(step, sight), self.cameras) @ chain
            cols = np.concatenate([np.arange(first, first + 6) for first in where])
            data.append(block.reshape(-1))
            columns.append(np.tile(cols, len(block)))
            counts.append(np.full(len(block), len(cols)))
        if self.length is not None and self.two_ends:
            t = unknowns.T_a_b.translation
            data.append(-t / np.linalg.norm(t) / self.length[1])
            columns.append(np.arange(9, 12))
            counts.append(np.array([3]))
        pointers = np.concatenate(([0], np.cumsum(np.concatenate(counts))))
        shape = (len(pointers) - 1, self.n_parameters)
        return scipy.sparse.csr_array(
            (np.concatenate(data), np.concatenate(columns), pointers), shape=shape
        )

    def _chain(
        self, unknowns: Unknowns, step: int, sight: Sight | MeasuredPose
    ) -> tuple[Array, list[int]]:
        """Return d(predicted pose)/d(increments), (6, K), and where their columns start.

        The pose is X⁻¹ L Y; each factor is left out where the sight doesn't need it.
        """
        X, L = unknowns.T_left_right, unknowns.T_left_a[step]
        of_right, of_b = sight.tower == "right", sight.end == "B" and self.two_ends
        into = X.inverse() if of_right else Pose.identity()
        Y = unknowns.T_a_b if of_b else Pose.identity()
        parts, where = [], []
        if of_right:
            parts.append(first_response(into, L @ Y) @ inverse_response(X))
            where.append(0)
        if of_b:
            parts.append(second_response(into @ L))
            where.append(6)
        parts.append(second_response(into) @ first_response(L, Y))
        where.append(self.n_shared + 6 * step)
        return np.hstack(parts), where
