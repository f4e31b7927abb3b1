"""Bundle adjustment of one camera: its lens, the board's shape and every view's pose at once.

Least squares by Levenberg and Marquardt's damped steps (Nocedal and Wright 2006, section 10.3).
The normal matrix is an arrow: lens and shape are shared by all views, each pose has its own, so
that poses are eliminated view by view (Schur complement).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from bench.cameras.lenses import predict
from bench.errors import GeometryError
from bench.geometry.camera import rotation_columns
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.targets.bend import bend_modes
from bench.typing import Array

UNDETERMINED = "the views don't determine the camera: hold the board at other tilts and places"
MAX_STEPS = 100
# A step that lessens the sum of squares by less is rounding's; so is one that long, in
# parameters scaled by what one pixel of a single coordinate tells of them.
LEAST_GAIN = 1e-12
LEAST_DAMPING, MOST_DAMPING = 1e-12, 1e12


@dataclass(frozen=True, eq=False)
class BoardView:
    """Points of a board found in one picture.

    Attributes
    ----------
    name : str
        Of the picture.
    pixels : (N, 2) float64
        Found, pixels, centre-of-pixel origin.
    p_target : (N, 3) float64
        The same points in the board's frame, metres; z is 0.
    """

    name: str
    pixels: Array
    p_target: Array


@dataclass(frozen=True, eq=False)
class State:
    """A lens, a board's shape and where the board stood.

    Attributes
    ----------
    family : str
        Of lenses, see `bench.cameras.lenses`.
    values : (P,) float64
        Of the lens's parameters.
    basis : (P, F) float64
        Change of the parameters by each of F free ones.
    poses : tuple of Pose
        T_camera_target of each view.
    shape : (S,) float64
        Bow across, bow up, twist: as many as are fitted, 0, 2 or 3; metres at the corners of
        `extent` (`bench.targets.bend`).
    extent : (float, float)
        Width and height that the shape's sizes refer to, metres.
    """

    family: str
    values: Array
    basis: Array
    poses: tuple[Pose, ...]
    shape: Array = field(default_factory=lambda: np.zeros(0))
    extent: tuple[float, float] = (1.0, 1.0)

    @property
    def n_shared(self) -> int:
        """How many numbers all views share."""
        return int(self.basis.shape[1]) + len(self.shape)

    def heights(self, p_target: Array) -> Array:
        """Return the derivatives (N, S) of points' heights by the shape's sizes."""
        return bend_modes(p_target[:, :2], *self.extent)[:, : len(self.shape)]

    def bent(self, p_target: Array) -> Array:
        """Return the board's points (N, 3) as it is bent."""
        if not len(self.shape):
            return p_target
        return p_target + np.column_stack(
            (np.zeros((len(p_target), 2)), self.heights(p_target) @ self.shape)
        )

    def moved(self, shared: Array, by_pose: Sequence[Array]) -> State:
        """Return the state after a step of the shared numbers and of each pose's (ω, τ)."""
        n = self.basis.shape[1]
        turns = exp_rotvec(np.array([step[:3] for step in by_pose]))  # all at once: half the time
        poses = tuple(
            Pose(pose.rotation @ turn, pose.translation + step[3:])
            for pose, turn, step in zip(self.poses, turns, by_pose, strict=True)
        )
        values = self.values + self.basis @ shared[:n]
        return replace(self, values=values, poses=poses, shape=self.shape + shared[n:])


@dataclass(frozen=True, eq=False)
class Row:
    """One view of a state, made linear.

    Attributes
    ----------
    residual : (2 N,) float64
        Found minus predicted, pixels.
    by_shared : (2 N, F + S) float64
        Derivatives of the prediction by lens and shape.
    by_pose : (2 N, 6) float64
        By the pose's (ω, τ), see `bench.geometry.camera.pose_jacobian`.
    """

    residual: Array
    by_shared: Array
    by_pose: Array

    @property
    def pose_free(self) -> Array:
        """`by_shared` less what the view's own pose can do, (2 N, F + S)."""
        q, _ = np.linalg.qr(self.by_pose)
        return np.asarray(self.by_shared - q @ (q.T @ self.by_shared))

    @property
    def pose_response(self) -> Array:
        """How the pose's (ω, τ) follows lens and shape, (6, F + S)."""
        scale = np.linalg.norm(self.by_pose, axis=0)
        found = np.linalg.lstsq(self.by_pose / scale, -self.by_shared, rcond=None)[0]
        return np.asarray(found / scale[:, None])


def linearise(view: BoardView, state: State, index: int) -> Row:
    """Return one view's residuals and derivatives."""
    pose, bent = state.poses[index], state.bent(view.p_target)
    pixels, by_lens, by_point = predict(state.family, state.values, pose @ bent)
    along = by_point @ pose.rotation  # by the point in the board's frame
    by_shape = along[..., 2:] * state.heights(view.p_target)[:, None, :]
    return Row(
        (view.pixels - pixels).ravel(),
        np.concatenate((by_lens @ state.basis, by_shape), axis=2).reshape(2 * len(pixels), -1),
        np.concatenate((rotation_columns(bent, along), by_point), axis=2).reshape(-1, 6),
    )


def adjust(views: Sequence[BoardView], start: State) -> tuple[State, list[Row]]:
    """Return the state of least squares near a start, and its views made linear.

    Raises
    ------
    GeometryError
        The views leave something undetermined, or no step lessens the misfit.
    """
    state, damping = start, 1e-3
    rows = _rows(views, state)
    cost = _cost(rows)
    if not np.isfinite(cost):
        raise GeometryError(UNDETERMINED)
    for _ in range(MAX_STEPS):
        shared, by_pose = _step(rows, damping)
        trial = state.moved(shared, by_pose)
        try:
            tried = _rows(views, trial)
        except (cv2.error, GeometryError):
            tried = []
        reached = _cost(tried) if tried else np.inf
        if reached <= cost and _in_front(trial, views):
            done = cost - reached <= LEAST_GAIN * cost
            state, rows, cost = trial, tried, reached
            damping = max(LEAST_DAMPING, 0.1 * damping)
            if done:
                break
        else:
            damping *= 10.0
            if damping > MOST_DAMPING:
                break  # rounding's floor, or nowhere to go: what follows judges the state
    return state, rows


def _rows(views: Sequence[BoardView], state: State) -> list[Row]:
    return [linearise(view, state, i) for i, view in enumerate(views)]


def _cost(rows: Sequence[Row]) -> float:
    return float(sum(row.residual @ row.residual for row in rows))


def _in_front(state: State, views: Sequence[BoardView]) -> bool:
    return all(
        bool(np.all((pose @ view.p_target)[:, 2] > 0.0))
        for pose, view in zip(state.poses, views, strict=True)
    )


def _step(rows: Sequence[Row], damping: float) -> tuple[Array, list[Array]]:
    """Return a damped step of the shared numbers and of each pose."""
    n = rows[0].by_shared.shape[1]
    normal, right = np.zeros((n, n)), np.zeros(n)
    solved = []
    for row in rows:
        scale = np.linalg.norm(row.by_pose, axis=0)
        own = row.by_pose / scale
        block = own.T @ own + damping * np.eye(6)
        cross, pull = own.T @ row.by_shared, own.T @ row.residual
        inverse = np.linalg.inv(block)
        normal += row.by_shared.T @ row.by_shared - cross.T @ inverse @ cross
        right += row.by_shared.T @ row.residual - cross.T @ inverse @ pull
        solved.append((scale, inverse, cross, pull))
    size = np.sqrt(np.maximum(sum((np.sum(r.by_shared**2, axis=0) for r in rows), np.zeros(n)), 0))
    if n and not np.all(size > 0.0):
        raise GeometryError(UNDETERMINED)
    damped = normal / np.outer(size, size) + damping * np.eye(n)
    try:
        shared = np.linalg.solve(damped, right / size) / size if n else np.zeros(0)
    except np.linalg.LinAlgError as error:
        raise GeometryError(UNDETERMINED) from error
    poses = [inverse @ (pull - cross @ shared) / scale for scale, inverse, cross, pull in solved]
    return shared, poses
