"""A level in words and rows: what is known, by what, and what stays open."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from bench.registration.level import BAR, HEIGHTS, NOTHING, SLOPES, Kind, open_directions
from bench.registration.level_plan import LevelPlan, default_plan
from bench.scene.model import Bay
from bench.typing import Array

# In the bay: a tilt across it is a rotation about its length.
ALONG, ACROSS = np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])


def variants(bay: Bay, plan: LevelPlan) -> dict[str, LevelPlan]:
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
    sigma = default_plan(bay, other).height_sigma
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
