"""Lists of bar poses, and rehearsals of them, in sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from bench.registration.plan import Progress
from bench.registration.rehearsal import Rehearsal
from bench.registration.reliability import Reliability, StepReliability
from bench.scene.bar import BarPose
from bench.typing import Array

# Of a tower's turn against the other, which goes straight into what their wheels differ by.
AXES = ("the bay's x (to camber)", "its y (to neither)", "its z (to toe)")


def turn_words(sigma: Array) -> str:
    """Say a turn's standard uncertainties (3,), radians, about the bay's axes."""
    said = [f"{v:.4f}" if v >= 1e-4 else "under 0.0001" for v in np.degrees(sigma)]
    return ", ".join(f"{v} deg about {axis}" for v, axis in zip(said, AXES, strict=True))


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


def pose_words(poses: Sequence[BarPose]) -> list[str]:
    """Return each bar pose in words; one that was taken before by its number."""
    first = {pose: i + 1 for i, pose in reversed(list(enumerate(poses)))}
    return [
        pose.words if first[pose] == i + 1 else f"back to pose {first[pose]}: {pose.words}"
        for i, pose in enumerate(poses)
    ]


def sequence_words(poses: Sequence[BarPose]) -> list[str]:
    """Return a line for each bar pose."""
    return [f"{i + 1}. {words}" for i, words in enumerate(pose_words(poses))]


def slip_words(step: StepReliability) -> str:
    """Say what slip of a target its check finds before a step; "" for the first."""
    if math.isnan(step.least_slip):
        return ""
    if math.isinf(step.least_slip):
        return "a target that slips before it may go unseen"
    return (
        f"a target that slips before it shows from {1e3 * step.least_slip:.1f} mm or "
        f"{math.degrees(step.least_turn):.2f} deg"
    )


def reliability_words(found: Reliability) -> list[str]:
    """Say what the checks of a list find, a line for each kind of fault."""
    slips = [step.least_slip for step in found.steps[1:]]
    turns = [step.least_turn for step in found.steps[1:]]
    worst = max(step.cost for step in found.steps)
    bend = (
        "the bar's bend shows in no check"
        if math.isinf(found.least_bend)
        else f"a bend of the bar shows from {math.degrees(found.least_bend):.2f} deg at each end"
    )
    hidden = found.bend_cost
    return [
        f"checks find (4 times in 5) a target that slips by {_span(slips, 1e3)} mm or turns by "
        f"{_span(turns, math.degrees(1.0))} deg on the bar, whichever way, by the step before "
        f"which it does; a slip of 1 or 3 mm that they miss costs {100 * worst:.0f} % of a "
        "tolerance at most",
        f"{bend}; unseen, 0.1 deg costs {100 * hidden:.0f} % of a tolerance",
        "swapped ends always show, by the targets' ids; a misread turn of the bar costs nothing, "
        "since its poses are found, not taken from the plan",
    ]


def _span(values: Sequence[float], factor: float) -> str:
    low, high = factor * min(values), factor * max(values)
    return f"{low:.2g} to {high:.2g}" if math.isfinite(high) else f"{low:.2g} or never"
