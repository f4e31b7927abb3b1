"""Aim of a tower's camera at which its targets sit in the middle of the picture."""

from __future__ import annotations

import numpy as np

from bench.siting.problem import VARIABLES, Problem
from bench.typing import Array, IntArray

AIMS = 12  # rounds of balancing room left against right and upper against lower edges


def aim(problem: Problem, x: Array, choice: IntArray) -> Array:
    """Return layouts (L, 5) turned so that targets have as much room left as right, up as down.

    Each round turns by half the difference of room, in the angle of the plate that has least.
    """
    x = x.copy()
    low, high = problem.limits
    yaw, pitch = VARIABLES.index("yaw"), VARIABLES.index("pitch")
    for _ in range(AIMS):
        room, width = problem.edge_room(x, choice)
        # room to the left edge is to be as large as to the right one: turning a left tower's
        # camera inward, to its left, moves the picture right
        x[:, yaw] += 0.4 * (room[:, 1] - room[:, 0]) * width
        x[:, pitch] += 0.4 * (room[:, 3] - room[:, 2]) * width
        x = np.clip(x, low, high)
    return x
