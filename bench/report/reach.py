"""The report's first picture: how far each pipeline holds, view by view, as bars of a drawing.

Places across are per cent of the drawing's width, those down are CSS pixels: letters stay as
large on a phone as on a desk.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from bench.draw import style
from bench.report.run import MapRun
from bench.report.words import view_words
from bench.survey.plan import number
from bench.survey.verdicts import HOLDS, UNDECIDED

LEFT, RIGHT = 24.0, 84.0  # of the bars, per cent
BAR, GAP = 13, 9  # of a bar's line, and between views, pixels
MOST_VIEWS = 6
LETTERS = "abcdefghijklmnopqrstuvwxyz"


def reach_picture(run: MapRun) -> dict[str, Any]:
    """Return what the template draws: a row a view, steepest first, a bar a pipeline."""
    rows = run.limits.ranges
    views = (
        rows.select("tilt_deg", "pitch_deg", "turn_deg")
        .unique()
        .sort("tilt_deg", "pitch_deg", "turn_deg", descending=[True, False, False])
    )
    all_views = [(pitch, turn) for _, pitch, turn in views.iter_rows()]
    # the ends and what lies evenly between: the table of limits has all
    shown = np.unique(np.linspace(0, len(all_views) - 1, MOST_VIEWS).round()).astype(int)
    colours = style.pipeline_styles(run.pipelines)
    found = {(r["pipeline"], r["pitch_deg"], r["turn_deg"]): r for r in rows.iter_rows(named=True)}
    farthest = max(run.plan.ranges_m)
    drawn, y = [], 4
    pitched = len(run.plan.pitches_deg) > 1  # long names of views, which stand above their bars
    for pitch, turn in (all_views[i] for i in shown):
        y += BAR if pitched else 0
        bars: list[dict[str, Any]] = []
        for place, name in enumerate(run.pipelines):
            row = found.get((name, pitch, turn))
            if row is not None:
                bars.append(
                    {
                        "y": y + BAR * len(bars),
                        "colour": colours[name].colour,
                        "place": place % len(style.OKABE_ITO),
                        **_bar(row, farthest, LETTERS[place % len(LETTERS)]),
                    }
                )
        middle = y - BAR / 2.0 if pitched else y + BAR * len(bars) / 2.0
        drawn.append({"words": view_words(pitch, turn), "y": middle, "bars": bars})
        y += BAR * len(bars) + GAP
    left_out = len(all_views) - len(shown)
    return {
        "alt": "Bars of the longest range that holds, by view and pipeline; the table of limits "
        "has the numbers.",
        "pipelines": [
            {
                "name": name,
                "letter": LETTERS[i % len(LETTERS)],
                "colour": colours[name].colour,
                "place": i % len(style.OKABE_ITO),
            }
            for i, name in enumerate(run.pipelines)
        ],
        "rows": drawn,
        "left": LEFT,
        "floor": y,
        "height": y + 20,
        "ticks": [
            {"x": _across(r, farthest), "words": words} for r, words in _ticks(run.plan.ranges_m)
        ],
        "note": "+: the grid ends there; dashed: undecided."
        + (f" {left_out} more views are in the table of limits." if left_out else ""),
    }


def _bar(row: dict[str, Any], farthest: float, letter: str) -> dict[str, Any]:
    longest = row["longest_range_m"] if row["verdict"] == HOLDS else None
    end = LEFT if longest is None else _across(longest, farthest)
    doubt = None
    if row["next_verdict"] == UNDECIDED:
        beyond = _across(row["next_range_m"], farthest)
        doubt = (end, round(beyond - end, 2))
    words = "none" if longest is None else number(longest)
    if longest is not None and row["next_range_m"] is None:
        words += " +"
    reached = end if doubt is None else doubt[0] + doubt[1]
    return {
        "width": round(end - LEFT, 2),
        "end": round(reached, 2),
        "doubt": doubt,
        "words": f"{letter} {words}",
    }


def _across(range_m: float, farthest: float) -> float:
    return round(LEFT + (RIGHT - LEFT) * range_m / farthest, 2)


def _ticks(ranges_m: tuple[float, ...]) -> list[tuple[float, str]]:
    """Return the ranges that have room for their number: a twelfth of the longest between them."""
    kept: list[tuple[float, str]] = [(0.0, "0")]
    for range_m in sorted(ranges_m):
        if range_m - kept[-1][0] >= max(ranges_m) / 12.0:
            kept.append((range_m, number(range_m)))
    return kept
