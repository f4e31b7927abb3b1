"""The objective of siting around a layout: slices in which two variables change."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.siting.aiming import aim
from bench.siting.problem import VARIABLES, Label, Problem
from bench.siting.programme import FEASIBLE
from bench.typing import Array, IntArray

# Points along each axis of a slice.
POINTS = 45
PLACES = ("spacing", "standoff", "height")  # of the first slice: the first two that aren't fixed
SLICES = (("height", "pitch"), ("yaw", "pitch"))
FIXED = 1e-6  # narrower limits leave no choice, metres or radians
# What slices with a fixed aim show of it, to either side: metres and radians. Further off, targets
# leave the picture.
NEARBY = {"height": 0.3, "yaw": math.radians(5.0), "pitch": math.radians(5.0)}
# Layouts judged at a time: what fits into tens of MiB.
BATCH = 500


@dataclass(frozen=True, eq=False)
class Slice:
    """The objective over two variables.

    Attributes
    ----------
    across, up : str
        Names of the variables, see `bench.siting.problem.VARIABLES`.
    x, y : (n,) and (m,) float64
        Their values, metres or radians.
    share : (m, n) float64
        Worst uncertainty over tolerance.
    blocked : (m, n) int64
        Which of `names` is broken most; -1 where nothing is.
    names : tuple of str
        Constraints.
    aimed : bool
        Whether yaw and pitch follow at each point, so that targets keep the most room.
    """

    across: str
    up: str
    x: Array
    y: Array
    share: Array
    blocked: IntArray
    names: tuple[str, ...]
    aimed: bool


def slices_of(problem: Problem, layout: Array, choice: IntArray) -> tuple[Slice, ...]:
    """Return slices through a layout (5,), mounts set as chosen.

    Where towers are moved (`PLACES`), they are aimed anew at every point; in `SLICES` everything
    else stays. What the limits fix is no axis, as long as two others are left.
    """
    low, high = problem.limits
    free = {name for name, one in zip(VARIABLES, high - low > FIXED, strict=True) if one}
    moved = tuple(name for name in PLACES if name in free)[:2]
    pairs = [pair for pair in SLICES if free.issuperset(pair)]
    if len(moved) == 2 or not pairs:
        pairs.insert(0, moved if len(moved) == 2 else PLACES[:2])
    return tuple(
        _slice(problem, layout, choice, *pair, aimed=pair not in SLICES) for pair in pairs
    )


def _slice(
    problem: Problem, layout: Array, choice: IntArray, across: str, up: str, *, aimed: bool
) -> Slice:
    i, j = VARIABLES.index(across), VARIABLES.index(up)
    low, high = problem.limits
    ends = [(low[k], high[k]) for k in (i, j)]
    if not aimed:
        near = [NEARBY[name] for name in (across, up)]
        ends = [
            (max(a, layout[k] - by), min(b, layout[k] + by))
            for k, by, (a, b) in zip((i, j), near, ends, strict=True)
        ]
    x, y = (np.linspace(a, max(b, a + 1e-6), POINTS) for a, b in ends)
    points = np.repeat(layout[None], POINTS * POINTS, axis=0)
    points[:, i], points[:, j] = np.tile(x, POINTS), np.repeat(y, POINTS)
    named = [_name(label) for label in problem.labels]
    names = tuple(dict.fromkeys(named))
    kinds = np.array([names.index(name) for name in named])
    share, blocked = np.empty(len(points)), np.empty(len(points), dtype=np.int64)
    for start in range(0, len(points), BATCH):
        part = slice(start, start + BATCH)
        some = aim(problem, points[part], choice) if aimed else points[part]
        judged = problem.judge(some, choice)
        share[part] = judged.worst
        broken = judged.violation > FEASIBLE
        blocked[part] = np.where(broken, kinds[judged.room.argmin(axis=-1)], -1)
    shape = (POINTS, POINTS)
    return Slice(across, up, x, y, share.reshape(shape), blocked.reshape(shape), names, aimed)


def _name(label: Label) -> str:
    """Return what a constraint is called in a landscape: margins by their edge."""
    return label.where.rpartition(", ")[2] if label.name == "margin" else label.name
