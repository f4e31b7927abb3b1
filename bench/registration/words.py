"""Lists of bar poses, and rehearsals of them, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bench.registration.plan import Progress
from bench.registration.rehearsal import Rehearsal
from bench.scene.bar import BarPose
from bench.typing import Array

# Of a tower's turn against the other, which goes straight into what their wheels differ by.
AXES = ("the bay's x (to camber)", "its y (to neither)", "its z (to toe)")


def turn_words(sigma: Array) -> str:
    """Say a turn's standard uncertainties (3,), radians, about the bay's axes."""
    degrees = np.degrees(sigma)
    return ", ".join(f"{v:.4f} deg about {axis}" for v, axis in zip(degrees, AXES, strict=True))


def progress_words(last: Progress) -> str:
    """Say what a list of bar poses determines, or which directions it leaves open."""
    if last.is_determined:
        shift = ", ".join(f"{v:.2f}" for v in 1e3 * last.sigma_translation)
        return (
            f"all {last.unknowns} directions determined; {turn_words(last.sigma_rotation)}; "
            f"{shift} mm along them"
        )
    named = "; ".join(direction.words for direction in last.open)
    return f"{last.unknowns - last.rank} of {last.unknowns} directions undetermined: {named}"


def times_words(last: Progress, best: Progress) -> str:
    """Say how uncertain a list of bar poses leaves the towers against the best; "" where open.

    By the sixth root of the volumes' ratio, D-efficiency's inverse (Atkinson, Donev and Tobias
    2007, "Optimum Experimental Designs", section 11.1, from memory).
    """
    if not last.is_determined:
        return ""
    times = np.exp((last.log_volume - best.log_volume) / 6.0)
    return f"; {times:.2f} times as uncertain as what the search found, on average"


def error_words(seen: Array, claimed: Array) -> list[str]:
    """Say how far off rehearsed registrations came out, and what they claimed, axis by axis.

    Parameters
    ----------
    seen, claimed : (6,) float64
        RMS errors and standard uncertainties: radians about, metres along the bay's x, y and z.
    """
    return [
        f"about {axis}: {np.degrees(seen[k]):.4f} deg RMS, {np.degrees(claimed[k]):.4f} deg "
        f"claimed; along it: {1e3 * seen[3 + k]:.3f} mm RMS, "
        f"{1e3 * claimed[3 + k]:.3f} mm claimed"
        for k, axis in enumerate(AXES)
    ]


def rehearsal_words(result: Rehearsal, seen: Array) -> list[str]:
    """Say what came of rehearsals: errors, checks that failed, registrations refused."""
    failed = sum(bool(names) for names in result.alarms)
    lines = [
        *error_words(seen, np.asarray(result.claimed)),
        f"a residual check failed in {failed} rehearsals, by chance in one of 100",
    ]
    if result.refused:
        lines.append(f"refused: {len(result.refused)} rehearsals, such as: {result.refused[0]}")
    return lines


def toe_words(expanded: float, tolerance: float) -> str:
    """Say whether the registration's share of toe is inside tolerance; both in radians."""
    return (
        f"registration's share of toe, expanded (k = 2): "
        f"{'inside' if expanded <= tolerance else 'outside'} tolerance, "
        f"{np.degrees(expanded):.4f} deg of {np.degrees(tolerance):g}"
    )


def sequence_words(poses: Sequence[BarPose]) -> list[str]:
    """Return a line for each bar pose."""
    return [f"{i + 1}. {pose.words}" for i, pose in enumerate(poses)]
