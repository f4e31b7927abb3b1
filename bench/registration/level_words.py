"""A level in words and rows: what is known, by what, and what stays open."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import scipy

from bench.errors import BenchError
from bench.registration.level import Level, Up, open_directions
from bench.registration.level_equations import BAR, HEIGHTS, NOTHING, SLOPES, Kind, Setting
from bench.registration.level_plan import LevelPlan, open_plan
from bench.registration.level_rehearsal import Rehearsal
from bench.scene.model import Bay
from bench.scene.tower_pair import tower_pair
from bench.typing import Array

# In the bay: a tilt across it is a rotation about its length.
ALONG, ACROSS = np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])


def variants(plan: LevelPlan) -> dict[str, LevelPlan]:
    """Return the plan, and what it would be with something left out, by name."""
    found = {"as planned": plan}
    if plan.reversal:
        found["bar not reversed"] = replace(plan, reversal=False)
    if len(plan.distances) > 1:
        found["one distance only"] = replace(plan, distances=plan.distances[:1])
    if plan.registered:
        found["towers not registered"] = replace(plan, registered=False)
    other: Kind = "floor" if plan.kind == "level" else "level"
    name = "on the floor, no spirit level" if other == "floor" else "with a spirit level"
    sigma = open_plan(other, plan.corner_px).height_sigma
    found[name] = replace(plan, kind=other, height_sigma=sigma)
    return found


def share_rows(name: str, shares: Mapping[str, Array]) -> list[dict[str, Any]]:
    """Return a row for each source of a level's covariance about the bay's x and y."""
    total = np.sum(list(shares.values()), axis=0)
    rows = []
    for source, part in [*shares.items(), ("all together", total)]:
        sigma = np.degrees(np.sqrt(np.maximum(np.diag(part), 0.0)))
        rows.append(
            {
                "plan": name,
                "source": source,
                "u_across_deg": float(sigma[0]),
                "u_along_deg": float(sigma[1]),
            }
        )
    return rows


def open_words(shares: Mapping[str, Array]) -> str:
    """Say which tilt the settings leave open; empty when none."""
    whole = np.zeros((3, 3))
    whole[:2, :2] = np.sum(list(shares.values()), axis=0)
    return open_directions(whole, ALONG, ACROSS)


def lines(shares: Mapping[str, Array], kind: Kind, reversal: bool) -> list[str]:
    """Say what is known of the level, and what limits it."""
    total = np.sqrt(np.diag(np.sum(list(shares.values()), axis=0)))
    left_open = open_words(shares)
    names = ("across the bay (camber's)", "along the bay")
    said = []
    for i, name in enumerate(names):
        parts = {s: math.sqrt(max(0.0, float(p[i, i]))) for s, p in shares.items()}
        worst = max(parts, key=lambda s: parts[s])
        if parts[NOTHING] > 0.5 * total[i] and total[i] > math.radians(1.0):
            said.append(f"{name}: not determined")
            continue
        said.append(
            f"{name}: {np.degrees(total[i]):.4f} deg standard, most of it from {worst} "
            f"({np.degrees(parts[worst]):.4f} deg)"
        )
    if left_open:
        said.append(
            f"open: the tilt {left_open}; it takes the bar at a second distance; a bar "
            "aimed aside by 1 deg lets 1/57 of the towers' lean along into the level across"
        )
    said.append(
        "found is up against gravity, by the spirit level"
        if kind == "level"
        else "found is the floor's normal, not gravity: the floor's own slope stays unknown"
    )
    if reversal:
        said.append(
            "reversed end for end: the bar's own error cancels; the supports' and the level's "
            f"readings' don't ({SLOPES}, {HEIGHTS})"
        )
    else:
        bar = math.degrees(math.sqrt(float(shares[BAR][0, 0])))
        said.append(f"not reversed: the bar's own error stays, {bar:.4f} deg across the bay")
    return said


def bar_words(bay: Bay, plan: LevelPlan) -> str:
    """Say where a plan puts the bar, and how it is turned."""
    apart = ", ".join(f"{d:.2f} m" for d in plan.distances)
    turns = " and ".join(f"{np.degrees(t):+.0f} deg" for t in plan.turns)
    return f"{bay.name}: bar at {apart} from the tower line, turned {turns}"


def rehearsal_rows(done: Mapping[str, Rehearsal], trials: int) -> list[dict[str, Any]]:
    """Return a row for each plan rehearsed: errors that came out, and how honest claims were."""
    return [
        {
            "plan": name,
            "trials": trials,
            "rms_across_deg": float(np.degrees(one.rms[0])),
            "rms_along_deg": float(np.degrees(one.rms[1])),
            "rms_gravity_across_deg": float(np.degrees(one.gravity_rms[0])),
            "rms_gravity_along_deg": float(np.degrees(one.gravity_rms[1])),
            "determined_directions": one.dof,
            "p_value": one.p_value,
        }
        for name, one in done.items()
    ]


def rehearsal_words(row: Mapping[str, Any], is_open: bool) -> str:
    """Say what came of a plan's rehearsals; `is_open` where its level along the bay is open."""
    along = "open" if is_open else f"{row['rms_along_deg']:.4f}"
    return (
        f"{row['plan']}: {row['trials']} rehearsals, RMS error {row['rms_across_deg']:.4f} deg "
        f"across, {along} along; against gravity {row['rms_gravity_across_deg']:.4f} across"
    )


def up_words(bay: Bay, up: Up) -> str:
    """Say which way is up in a tower's camera frame, and how it leans against the bay file."""
    tower = tower_pair(bay)[0 if up.tower == "left" else 1]
    found = tower.T_bay_camera.rotation @ up.direction
    return (
        f"{up.tower} tower: up in its camera's frame is "
        f"({', '.join(f'{v:+.6f}' for v in up.direction)}); against the bay file it leans "
        f"{np.degrees(np.arctan2(found[0], found[2])):+.3f} deg along the bay's x, "
        f"{np.degrees(np.arctan2(found[1], found[2])):+.3f} deg to the left, both of up"
    )


def contradicts(level: Level, doubt: float) -> bool:
    """Whether residuals as large come up less often than `doubt` by uncertainties alone."""
    return level.dof > 0 and float(scipy.stats.chi2.sf(level.chi2, level.dof)) < doubt


def odd_settings(
    settings: Sequence[Setting], find: Callable[[Sequence[Setting]], Level], doubt: float
) -> list[str]:
    """Return in words the settings any of which, left out, leaves the others in agreement."""
    found = []
    for i, one in enumerate(settings):
        try:
            level = find([*settings[:i], *settings[i + 1 :]])
        except BenchError:  # too few are left
            continue
        if level.dof > 0 and not contradicts(level, doubt):
            way = "reversed" if one.reversed else "not reversed"
            found.append(f"place {one.place}, {way}, {one.tower} tower")
    return found


def residual_words(
    level: Level, doubt: float, without: Level | None = None, odd: Sequence[str] = ()
) -> list[str]:
    """Say what the bar's own error is, and whether rows go together; see `contradicts`.

    `without` is the level of the same rows without the registration, where there was one.
    """
    said = []
    if level.bar_error is not None:
        said.append(
            f"the bar's own error: {np.degrees(level.bar_error):+.4f} deg, standard uncertainty "
            f"{np.degrees(level.bar_error_sigma):.4f} deg"
        )
    if level.dof > 0:
        p_value = float(scipy.stats.chi2.sf(level.chi2, level.dof))
        said.append(
            f"residuals: chi-square {level.chi2:.1f} for {level.dof} degrees of freedom, p = "
            f"{p_value:.2g}"
        )
    if contradicts(level, doubt) and without is not None and not contradicts(without, doubt):
        said.append(
            f"don't use this level: the towers' levels contradict each other, p below {doubt:g}, "
            "and agree without the registration: it is another bay's, a tower has moved since, or "
            "rows name the wrong tower; register again, or leave out --registration"
        )
    elif contradicts(level, doubt):
        wrong = "" if without is None else "the registration, "
        least = f"; the others agree without {' or without '.join(odd[:2])}" if odd else ""
        said.append(
            f"don't use this level: rows contradict each other, p below {doubt:g}{least}; {wrong}"
            "a place, its height, 'reversed' or a tower is wrong, stands moved, or uncertainties "
            "are too small"
        )
    return said
