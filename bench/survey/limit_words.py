"""Limits of a run in words: the longest range at each tilt, the tilts at each range."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import polars as pl

from bench.survey.limits import Limits
from bench.survey.plan import number
from bench.survey.verdicts import STATISTICS


def limit_lines(limits: Limits) -> Iterator[str]:
    """Yield what was asked, and each pipeline's limits, line by line."""
    request = limits.request
    yield (
        f"Rotation {STATISTICS[request.statistic]} at most {number(request.rotation_deg)} deg, "
        f"usable poses at least {number(100 * request.detection)} %, each with "
        f"{number(100 * request.confidence)} % one-sided confidence"
    )
    for pipeline in limits.ranges["pipeline"].unique(maintain_order=True):
        mine = pl.col("pipeline") == pipeline
        yield (f"\n{pipeline}\n  longest range")
        for row in limits.ranges.filter(mine).iter_rows(named=True):
            yield (f"    {_view(row)}: {row['words']}")
        yield ("  tilts that hold")
        for row in limits.bands.filter(mine).iter_rows(named=True):
            yield (f"    {number(row['range_m'])} m{_other(row)}: {row['words']}")
    yield ("")


def _view(row: dict[str, Any]) -> str:
    if row["pitch_deg"] == 0.0 and row["turn_deg"] >= 0.0:
        return f"tilt {number(row['turn_deg'])} deg"
    return (
        f"turn {number(row['turn_deg'])}, pitch {number(row['pitch_deg'])} deg "
        f"(tilt {row['tilt_deg']:.1f})"
    )


def _other(row: dict[str, Any]) -> str:
    if row["at_deg"] == 0.0:
        return ""
    other = "pitch" if row["along"] == "turn" else "turn"
    return f", {other} {number(row['at_deg'])} deg"
