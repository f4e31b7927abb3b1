"""Readings of a wheel that contradict each other: found, and the one that doesn't fit named."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from bench.errors import GeometryError
from bench.geometry.rotation import angle_between
from bench.registration.pose_rows import PoseRow
from bench.solve.turning import fit_turning
from bench.solve.wheel_axis import WheelAxis
from bench.typing import Array

# Chance of readings that contradict each other as much by their stated noise alone, below which
# a measurement isn't believed; as `level solve` has it. A wheel has two such tests.
REFUTED = 1e-3


def contradiction(
    name: str, rows: Sequence[PoseRow], wheel: WheelAxis, outward: Array, play: float
) -> str:
    """Say what speaks against a wheel's rolling readings; nothing where they agree.

    The reading that doesn't fit is the one without which the others agree best; of three, which
    leave two that can't disagree, the one without which the axis points outward best.
    """
    turning = wheel.turning
    if turning.p_value >= REFUTED:
        if wheel.place_p_value >= REFUTED:
            return ""
        return (
            f"{name}: places of its readings fit no rolling wheel (p {wheel.place_p_value:.0e}): "
            "measure it again"
        )
    merits = []
    for left_out in range(len(rows)):
        others = [row for k, row in enumerate(rows) if k != left_out]
        try:
            less = fit_turning(
                [row.pose.rotation for row in others],
                [row.covariance[:3, :3] for row in others],
                outward,
                play,
            )
        except GeometryError:
            continue
        away = angle_between(less.axis, np.asarray(outward, dtype=np.float64))
        moved = angle_between(less.axis, turning.axis)
        merits.append((less.chi2 if less.dof else 0.0, away, left_out, moved))
    words = (
        f"{name}: its readings contradict each other, by {math.degrees(turning.wobble):.2f} deg "
        f"about its axis (p {turning.p_value:.0e})"
    )
    if merits:
        _, _, worst, moved = min(merits)
        words += (
            f"; reading {worst + 1}, line {rows[worst].row.line}, fits worst: without it the "
            f"axis lies {math.degrees(moved):.2f} deg elsewhere. Measure it again"
        )
    return words
