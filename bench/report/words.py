"""Sentences and tables of a map's report."""

from __future__ import annotations

from typing import Any

import polars as pl

from bench.draw.map_info import MapInfo
from bench.report.cell_facts import MARKS, efficiency_words, place_words
from bench.report.run import MapRun
from bench.report.section import Table
from bench.survey.grid_phase import phase_lines
from bench.survey.limits import GRID_END, NONE
from bench.survey.plan import number
from bench.survey.summary import failure_words, reach_words
from bench.survey.verdicts import FAILS, HOLDS, UNDECIDED
from bench.units import figures

VERDICTS = {
    HOLDS: "The tolerance holds in part of the grid",
    UNDECIDED: "Undecided: more pictures would say where the tolerance holds",
    NONE: "The tolerance holds nowhere in the grid",
}


def summary(run: MapRun) -> list[str]:
    """Return what is said of all cells: the question, each pipeline's cells, gross failures."""
    said = [reach_words(run.limits)]
    for name in run.pipelines:
        verdicts = run.cells.filter(pl.col("pipeline") == name)["verdict"]
        counts = {word: int((verdicts == word).sum()) for word in (HOLDS, UNDECIDED, FAILS)}
        said.append(
            f"{name}, {len(verdicts)} cells: {counts[HOLDS]} inside tolerance, "
            f"{counts[UNDECIDED]} undecided, {counts[FAILS]} outside."
        )
    return [*said, failure_words(run.cells), *phase_lines(run.limits.phase)]


def headline(run: MapRun) -> str:
    """Return the verdict: a word with a number."""
    held = run.limits.ranges.filter(pl.col("verdict") == HOLDS)
    words = VERDICTS[run.limits.verdict]
    if (run.cells["verdict"] == HOLDS).all():
        words = "The tolerance holds in the whole grid"
    if held.is_empty():
        return f"{words}: {number(run.limits.request.within_deg)} deg."
    longest = float(held["longest_range_m"].max())  # type: ignore[arg-type]
    # beyond the last range nothing was tried, so that it is no limit
    end = GRID_END if longest == max(run.plan.ranges_m) else "at most"
    return f"{words}: {number(run.limits.request.within_deg)} deg, to {number(longest)} m, {end}."


def limit_rows(run: MapRun) -> list[dict[str, Any]]:
    """Return a row a view, with what each pipeline's limit is there."""
    views = (
        run.limits.ranges.select("pitch_deg", "turn_deg").unique().sort("pitch_deg", "turn_deg")
    )
    rows = []
    for pitch, turn in views.iter_rows():
        here = run.limits.ranges.filter(
            (pl.col("pitch_deg") == pitch) & (pl.col("turn_deg") == turn)
        )
        by_name = {row["pipeline"]: row for row in here.iter_rows(named=True)}
        cells = [_limit(by_name[name]) for name in run.pipelines if name in by_name]
        rows.append({"view": view_words(pitch, turn), "cells": cells})
    return rows


def view_words(pitch_deg: float, turn_deg: float) -> str:
    """Say how a target is seen: its tilt, or turn and pitch."""
    place = place_words({"range_m": 1.0, "turn_deg": turn_deg, "pitch_deg": pitch_deg})
    return place.partition(", ")[2]


def _limit(row: dict[str, Any]) -> dict[str, str]:
    words = row["words"]
    short, _, why = words.partition(" (")
    if row["verdict"] == HOLDS:
        short = f"holds to {short}"
    return {
        "pipeline": row["pipeline"],
        "mark": MARKS[row["verdict"]],
        "words": short,
        "why": why.removesuffix(")"),
    }


def band_table(run: MapRun) -> Table:
    """Return the tilts that hold at each range."""
    rows = tuple(
        (
            f"{row['pipeline']}, {number(row['range_m'])} m"
            + (f", {_other(row)} {number(row['at_deg'])} deg" if row["at_deg"] else ""),
            f"{MARKS[row['verdict']]} {row['verdict']}",
            row["words"],
        )
        for row in run.limits.bands.iter_rows(named=True)
    )
    return Table("Tilts that hold at each range", ("pipeline and range", "verdict", "tilts"), rows)


def _other(row: dict[str, Any]) -> str:
    return "pitch" if row["along"] == "turn" else "turn"


def bound_table(run: MapRun) -> Table:
    """Return how near each pipeline comes to the bound, over the cells where that holds."""
    rows = []
    for name in run.pipelines:
        mine = run.cells.filter(pl.col("pipeline") == name)
        known = mine.filter(pl.col("bound_holds") & pl.col("efficiency_rot").is_not_null())
        if known.is_empty():
            rows.append((name, "0", "none", "none", "none"))
            continue
        ordered = known.sort("efficiency_rot", "range_m", "tilt_deg")
        worst, best = ordered.row(0, named=True), ordered.row(-1, named=True)
        middle = float(known["efficiency_rot"].median())  # type: ignore[arg-type]
        rows.append(
            (
                name,
                str(len(known)),
                efficiency_words(middle),
                f"{efficiency_words(best['efficiency_rot'])} ({place_words(best)})",
                f"{efficiency_words(worst['efficiency_rot'])} ({place_words(worst)})",
            )
        )
    return Table(
        "Efficiency of the rotation: bound over RMS error, where the bound holds",
        ("pipeline", "cells", "median cell", "best cell", "worst cell"),
        tuple(rows),
    )


def method(run: MapRun, info: MapInfo) -> list[tuple[str, str]]:
    """Return how the numbers were made and judged: a term and what it means."""
    plan, request = run.plan, run.limits.request
    return [
        (
            "Pictures",
            f"Each of {plan.n_pictures} pictures is computed from the target's drawing: exact "
            "coverage of every pixel, lens blur, light, sensor noise and quantisation. Within a "
            f"cell range varies by ±{number(100 * plan.range_spread)} %, turn and pitch by "
            f"±{number(plan.tilt_spread_deg)} deg, roll by ±{number(plan.roll_spread_deg)} deg "
            "and the place on the pixel grid by half a pixel; the variation is quasi-random and "
            "follows from the seed and the case's key alone.",
        ),
        (
            "Outcomes",
            "A case is ok where a usable pose came out. Gross failures are counted by their name, "
            "never averaged into an error: missed (the target wasn't found), wrong id (markers "
            "were found, none of them the target's), mirrored (of the two poses that look alike "
            "the wrong one), ambiguous (the pipeline can't tell the two apart), not finite (no "
            "answer in numbers), unexplained (what the pose leaves of the picture contradicts "
            "it). The usable rate is the share of cases that are ok; the detection "
            "rate that of cases in which the target was found.",
        ),
        (
            "Pipeline",
            "A detector, which finds points of the target in the picture, and after the stroke a "
            "solver, which computes the pose (place and direction) from them.",
        ),
        (
            "Errors",
            "Rotation is the angle of the rotation between true and estimated pose; its parts are "
            "about the target's own axes. Position is split along the line of sight, to the right "
            "and upwards as the picture has them. All are of ok cases: bias is the mean error, "
            "standard deviation the scatter about it, RMS (root mean square) holds both; half of "
            "the errors are below the median, 95 of 100 below the 95th percentile.",
        ),
        (
            "Intervals",
            "Numbers in brackets are two-sided 95 % intervals where nothing else is said: "
            "Wilson's for rates, bootstrap-t for RMS, order statistics for percentiles. They "
            "describe and don't decide.",
        ),
        (
            "Verdicts",
            f"A cell holds (●) where {info.criteria_words}, shown with one-sided "
            f"{figures(100 * request.confidence)} % confidence by the exact bound of the rate "
            "(Clopper-Pearson), which assumes nothing of how errors are distributed; a gross "
            "failure is a miss. It fails (×) where the contrary is shown, and is undecided (?) "
            "between: more pictures may show that it holds. A limit is the longest range up to "
            f"which every tested range holds. It speaks of plates held as here, {info.rolls}.",
        ),
        (
            "Bound",
            "The Cramér-Rao bound is the best RMS that any unbiased estimator could reach with "
            "this camera, target and noise. Efficiency is bound over RMS; above 100 % it is by "
            "chance of few cases, or because the pipeline's error isn't all scatter about the "
            "truth. Near face-on the bound doesn't hold, and such cells say so.",
        ),
        (
            "Typical and worst",
            "Of each cell two cases are shown, rendered again by their keys: the ok case whose "
            "rotation error is nearest to the median, and a failure (missed first, then wrong id, "
            "mirrored, not finite, unexplained, ambiguous) or, without any, the case with the "
            "largest rotation error.",
        ),
        (
            "Conventions",
            "Range is from the camera's centre to the target's. Tilt is between the target's "
            "normal and the line of sight; turn is about the target's own vertical, pitch about "
            "its horizontal, right-handed. Pixel (0, 0) is the centre of the picture's top left "
            "pixel.",
        ),
    ]


def provenance(run: MapRun, command: str, version: str) -> list[tuple[str, str]]:
    """Return where the numbers come from, and how to make them again."""
    bay, value, plan = run.run.bay, run.run.value, run.plan
    facts = [
        ("bay", "unknown" if bay is None else f"{bay.name}, file {bay.file}"),
        ("bay's digest", "unknown" if bay is None else bay.digest),
        ("target", value.target),
        ("camera", value.camera),
        ("plan's digest", value.plan_digest),
        ("seed", str(plan.seed)),
        ("pictures", f"{plan.n_pictures}, {plan.n_rows} cases"),
        (
            "grid",
            f"ranges {len(plan.ranges_m)}, turns {len(plan.turns_deg)}, "
            f"pitches {len(plan.pitches_deg)}, places in the frame {len(plan.positions)}",
        ),
        ("pipelines", ", ".join(plan.pipelines)),
        ("computed by", ", ".join(f"{n} {v}" for n, v in plan.versions)),
    ]
    for i, start in enumerate(value.starts, 1):
        host, report = start.get("host", {}), start.get("report", {})
        name = "run" if len(value.starts) == 1 else f"start {i}"
        facts.append((f"{name}, command", str(start.get("command", "unknown"))))
        facts.append(
            (
                f"{name}, times",
                f"{start.get('started', '')} to {start.get('ended', '')}, "
                f"{report.get('added', 0)} pictures by {start.get('workers', '?')} workers",
            )
        )
        facts.append(
            (f"{name}, machine", ", ".join(f"{key} {value}" for key, value in host.items()))
        )
    facts.append(("this report", f"sightbench {version}: {command}"))
    return facts
