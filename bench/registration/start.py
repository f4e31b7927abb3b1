"""A registration's closed-form start, from the pose that each sight gives by itself.

Steps in which each tower sees its own target give ``A_i Y = X B_i`` with ``A = T_left_a``,
``B = T_right_b``, ``X = T_left_right`` and ``Y = T_a_b``. Rotations first: with columns stacked,
``(R_Bi ⊗ R_Ai) vec R_Y = vec R_X``, whose null vector gives both (Li, Wang and Wu 2010,
International Journal of Physical Sciences 5(10), pp. 1530-1536; Shah 2013,
doi:10.1115/1.4024473), then translations by linear least squares (Dornaika and Horaud 1998,
doi:10.1109/70.704233). A bar laid end for end gives ``T_left_b Y⁻¹ = X T_right_a``, linear in
the same unknowns.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import scipy

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.registration.model import Unknowns
from bench.registration.sights import Cameras, Step, own_poses
from bench.typing import Array

Found = Mapping[tuple[int, str, str], Pose]
# With each tower on its own target, one relative motion leaves a turn about its axis and a
# shift along it open (the hand-eye equation: Tsai and Lenz 1989, doi:10.1109/70.34770); a third
# step gives a second motion, whose axis may differ.
MIN_STEPS = 3
# vec(Rᵀ) = TRANSPOSE vec(R), columns stacked
TRANSPOSE = np.eye(9)[np.arange(9).reshape(3, 3).T.reshape(-1)]


def check_steps(steps: Sequence[Step]) -> None:
    """Refuse steps that can't tie the towers, whatever was measured.

    Raises
    ------
    GeometryError
        Fewer steps than needed, or a step that only one tower has a part in.
    """
    for step in steps:
        for tower in ("left", "right"):
            if all(sight.tower != tower for sight in step.sights):
                raise GeometryError(
                    f"{step.name}: the {tower} tower sees no target; every step needs one in each "
                    "tower's picture"
                )
    shared = any(step.find("left", e) and step.find("right", e) for step in steps for e in "AB")
    needed = 1 if shared else MIN_STEPS
    if len(steps) < needed:
        raise GeometryError(
            f"registration needs the bar in at least {needed} poses when each tower sees its own "
            f"target, got {len(steps)}"
        )


def starts(steps: Sequence[Step], cameras: Cameras, nominal_T_a_b: Pose) -> list[Unknowns]:
    """Return starting values, one at least; the better fit is for the caller to choose.

    Parameters
    ----------
    steps : sequence of Step
        What was seen; `check_steps` has passed them.
    cameras : Cameras
        Intrinsics.
    nominal_T_a_b : Pose
        The bar as drawn: the last of the starts trusts it, and so has an answer even where the
        steps leave some direction open.

    Raises
    ------
    GeometryError
        A sight's points fit no pose.
    """
    found = own_poses(steps, cameras)
    n = len(steps)
    guesses: list[Pose] = []
    direct = [
        found[i, tower, "A"].inverse() @ found[i, tower, "B"]
        for i in range(n)
        for tower in ("left", "right")
        if (i, tower, "A") in found and (i, tower, "B") in found
    ]
    shared = [
        found[i, "left", end] @ found[i, "right", end].inverse()
        for i in range(n)
        for end in "AB"
        if (i, "left", end) in found and (i, "right", end) in found
    ]
    if direct:
        guesses.append(mean_pose(direct))
    elif shared:
        X = mean_pose(shared)
        across = [_bar_across(found, i, X) for i in range(n)]
        guesses += [mean_pose([T for T in across if T is not None])] if any(across) else []
    else:
        closed = bar_from_rotations(found, n)
        guesses += [] if closed is None else [closed]
    return [_complete(found, n, Y, shared) for Y in (*guesses, nominal_T_a_b)]


def _bar_across(found: Found, step: int, X: Pose) -> Pose | None:
    """Return T_a_b from one step with each tower on another target, given T_left_right."""
    for left, right in (("A", "B"), ("B", "A")):
        if (step, "left", left) in found and (step, "right", right) in found:
            Y = found[step, "left", left].inverse() @ X @ found[step, "right", right]
            return Y if left == "A" else Y.inverse()
    return None


def bar_from_rotations(found: Found, n: int) -> Pose | None:
    """Return T_a_b by the closed form; None where rotations leave it open.

    Parameters
    ----------
    found : mapping
        Pose by step's index, tower and end.
    n : int
        Number of steps.
    """
    pairs = []
    for i in range(n):
        for left, right in (("A", "B"), ("B", "A")):
            if (i, "left", left) in found and (i, "right", right) in found:
                pairs.append((left, found[i, "left", left], found[i, "right", right]))
    rows = [
        np.hstack(
            (
                np.kron(B.rotation, A.rotation) @ (np.eye(9) if left == "A" else TRANSPOSE),
                -np.eye(9),
            )
        )
        for left, A, B in pairs
    ]
    if not rows:
        return None
    _, singular, vt = np.linalg.svd(np.vstack(rows))
    if len(rows) < 2 or singular[-2] < 1e-9 * singular[0]:
        return None
    R_Y, R_X = (_nearest_rotation(v.reshape(3, 3).T) for v in (vt[-1, :9], vt[-1, 9:]))
    if R_Y is None or R_X is None:
        return None
    matrix, right_side = [], []
    for left, A, B in pairs:
        # R_A t_Y + t_A = R_X t_B + t_X, and for a reversed bar t of Y⁻¹, which is -R_Yᵀ t_Y
        by_t = A.rotation if left == "A" else -A.rotation @ R_Y.T
        matrix.append(np.hstack((by_t, -np.eye(3))))
        right_side.append(R_X @ B.translation - A.translation)
    solution, *_ = np.linalg.lstsq(np.vstack(matrix), np.concatenate(right_side), rcond=None)
    return Pose(R_Y, solution[:3])


def _nearest_rotation(matrix: Array) -> Array | None:
    """Return the rotation nearest to a multiple of `matrix`, of whatever sign."""
    if np.linalg.det(matrix) < 0.0:
        matrix = -matrix
    u, singular, vt = np.linalg.svd(matrix)
    if singular[-1] < 1e-6 * singular[0]:
        return None
    rotation: Array = u @ vt
    return rotation


def _complete(found: Found, n: int, T_a_b: Pose, shared: Sequence[Pose]) -> Unknowns:
    """Return all unknowns, given T_a_b."""

    def a_seen(step: int, tower: str) -> Pose | None:
        if (step, tower, "A") in found:
            return found[step, tower, "A"]
        b = found.get((step, tower, "B"))
        return None if b is None else b @ T_a_b.inverse()

    left = [a_seen(i, "left") for i in range(n)]
    right = [a_seen(i, "right") for i in range(n)]
    ties = list(shared) or [
        a @ b.inverse()
        for a, b in zip(left, right, strict=True)
        if a is not None and b is not None
    ]
    T_left_right = mean_pose(ties)
    return Unknowns(T_left_right, T_a_b, tuple(T for T in left if T is not None))


def mean_pose(poses: Sequence[Pose]) -> Pose:
    """Return the chordal mean of the rotations and the mean of the translations."""
    rotation = (
        scipy.spatial.transform.Rotation.from_matrix(np.array([T.rotation for T in poses]))
        .mean()
        .as_matrix()
    )
    return Pose(np.asarray(rotation), np.mean([T.translation for T in poses], axis=0))
