"""A comparison of drawings in sentences, and as a table in plain text."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import polars as pl

from bench.choice.choice import Choice, Ranking, Standing
from bench.choice.paired_errors import PairedErrorRatio
from bench.survey.plan import number
from bench.survey.verdicts import UNDECIDED
from bench.survey.views import joined
from bench.tables import aligned
from bench.targets.target import Target

View = tuple[float, float]


def table_lines(choice: Choice) -> list[str]:
    """Return the longest ranges that hold as lines of plain text: a row a pipeline."""
    table = choice.table
    views = table.select("pitch_deg", "turn_deg").unique().sort("pitch_deg", "turn_deg").rows()
    heads = [view_words(turn, pitch, unit="") for pitch, turn in views]
    rows = [["tilt (deg)" if _turn_is_tilt(views) else "turn (deg)", *heads]]
    for (candidate, pipeline), mine in table.group_by(
        "candidate", "pipeline", maintain_order=True
    ):
        if candidate not in [name for name, *_ in rows]:
            rows.append([str(candidate), *[""] * len(views)])
        by_view = {(r["pitch_deg"], r["turn_deg"]): r for r in mine.iter_rows(named=True)}
        rows.append([f"  {pipeline}", *(_entry(by_view[view]) for view in views)])
    head = "Longest range that holds (m); + is the grid's end, ? more pictures might extend it"
    return [head, *aligned(rows, right=range(1, len(views) + 1))]


def _entry(row: dict[str, object]) -> str:
    undecided = row["cells_possible"] != row["cells_held"]
    if row["longest_range_m"] is None:
        return UNDECIDED if undecided else "none"
    mark = "+" if row["all_tested"] else "?" if undecided else " "
    return number(float(str(row["longest_range_m"]))) + mark


def recommendation_words(
    choice: Choice, axles: Sequence[tuple[str, float]], range_spread: float = 0.0
) -> list[str]:
    """Return sentences: which drawing to take and why, and what else there is to know.

    Parameters
    ----------
    choice : Choice
        What was found.
    axles : sequence of (str, float)
        Name and range, metres, of the wheels that the tower looks at, nearest first.
    range_spread : float
        By which ranges varied within a cell, a fraction: so much farther a cell speaks for.
    """
    best = choice.ranking.best
    if best is None:
        verdict = "Undecided" if choice.verdict == UNDECIDED else "None"
        surely = "surely " if choice.verdict == UNDECIDED else ""
        return [
            f"{verdict}: no drawing {surely}holds at the shortest range of any tilt; "
            + _nearest_words(choice)
        ]
    lines = [_first_words(choice, choice.ranking, best)]
    lines.append(_axle_words(_rows_of(choice.table, best), axles, range_spread))
    return [line for line in lines if line]


def _first_words(choice: Choice, ranking: Ranking, best: Standing) -> str:
    """Say which drawing is first, how sure that is, and how its errors compare."""
    who = f"{best.candidate}, with {best.pipeline}"
    reason = (
        f"it holds in {best.held} of {best.total} cells of range and tilt, "
        f"{_reach_words(_rows_of(choice.table, best), 'longest_range_m')}"
    )
    others = [s for s in ranking.standings if s is not best]
    if ranking.rivals:
        against = joined(f"{s.candidate} ({s.held}, perhaps {s.possible})" for s in ranking.rivals)
        needed = needed_trials(choice.table, [best, *ranking.rivals])
        more = f"; --trials {needed} might decide" if needed else ""
        words = f"Undecided, but first comes {who}: {reason}; against {against}{more}."
    elif others and ranking.equals:
        also = joined(s.candidate for s in ranking.equals)
        words = f"Recommended: {who}: {reason}, as many as {also}."
    elif others:
        following = f"next is {others[0].candidate} with {others[0].held}"
        words = f"Recommended: {who}: {reason}; {following}."
    else:
        words = f"{who}: {reason}."
    compared = [
        f"{ratio.value:.3g} ({ratio.low:.3g} to {ratio.high:.3g}) times as much as {name}"
        for name, ratio in _telling_ratios(ranking).items()
    ]
    if compared:
        words += f" In the cells that both hold it errs {joined(compared)}."
    return words


def _telling_ratios(ranking: Ranking) -> dict[str, PairedErrorRatio]:
    """Return the ratios to rivals and equals, and to the drawing that errs least."""
    names = [s.candidate for s in (*ranking.rivals, *ranking.equals)]
    names += sorted(ranking.ratios, key=lambda name: -ranking.ratios[name].value)[:1]
    return {name: ranking.ratios[name] for name in names if name in ranking.ratios}


def _nearest_words(choice: Choice) -> str:
    """Name the cell that comes nearest to the tolerance."""
    cells = pl.concat(
        s.limits.cells.with_columns(pl.lit(s.candidate.name).alias("candidate"))
        for s in choice.surveyed
    ).filter(pl.col("n_ok") > 0)
    if cells.is_empty():
        return "no picture gave a usable pose."
    cell = cells.sort(-pl.col("success_rate"), maintain_order=True).row(0, named=True)
    return (
        f"nearest comes {cell['candidate']}, with {cell['pipeline']}, at "
        f"{number(cell['range_m'])} m, tilt {number(round(cell['tilt_deg'], 1))} deg: "
        f"{cell['words']}."
    )


def _axle_words(rows: pl.DataFrame, axles: Sequence[tuple[str, float]], spread: float) -> str:
    """Say at which tilts the farthest axle lies within the limits."""
    if not axles:
        return ""
    name, range_m = axles[-1]
    there = f"the farthest axle, {name} at {range_m:.2f} m"
    reaches = pl.col("longest_range_m").fill_null(0.0) * (1.0 + spread) >= range_m
    reached, missing = rows.filter(reaches), rows.filter(~reaches)
    if reached.is_empty():
        return f"It doesn't reach {there}, at any tilt."
    but = f", not at {_tilts(missing)}" if len(missing) else ""
    return f"It reaches {there}, at {_tilts(reached)}{but}."


def limit_words(choice: Choice) -> list[str]:
    """Say of each drawing, with its best pipeline, what ends its limits and where."""
    lines = []
    by_name = {s.candidate: s for s in choice.ranking.standings}
    for surveyed in choice.surveyed:
        standing = by_name[surveyed.candidate.name]
        rows = _rows_of(choice.table, standing)
        parts = []
        for (cause,), mine in rows.filter(~pl.col("all_tested")).group_by(
            "ended_by", maintain_order=True
        ):
            parts.append(f"{cause} {joined(_by_range(mine, 'ends_at_m', 'from {} m at {}'))}")
        rest = rows.filter("all_tested")
        if len(rest):
            parts.append(f"nothing as far as tested at {_tilts(rest)}")
        lines.append(
            f"What limits {standing.candidate} ({standing.pipeline}): {'; '.join(parts)}."
        )
    return lines


def trait_words(target: Target) -> str:
    """Say what speaks for or against a drawing whatever its map shows."""
    if target.kind == "circles":
        alike = ""
        if target.symmetric:
            square = target.layout[0] == target.layout[1]
            alike = f", looks the same turned by a {'quarter' if square else 'half'}"
        elif target.layout[1] % 2 == 0:
            alike = ", looks the same turned by a half"
        return f"carries no number to tell wheels apart{alike}, and every circle must be seen"
    if target.kind == "marker":
        return "is lost when its outline is covered anywhere"
    return "is still found, from fewer points, where a part of it is covered"


def needed_trials(table: pl.DataFrame, standings: Iterable[Standing]) -> int | None:
    """Return the pictures a cell after which the open ends of limits would be decided."""
    found = [
        row["n_needed"]
        for standing in standings
        for row in _rows_of(table, standing).iter_rows(named=True)
        if row["ended_by"] == UNDECIDED
    ]
    known = [n for n in found if n is not None]
    return max(known) if known and len(known) == len(found) else None


def view_words(turn_deg: float, pitch_deg: float, unit: str = " deg") -> str:
    """Return a view's angles: the tilt where turn alone makes it, else turn and pitch."""
    if pitch_deg == 0.0:
        return f"{number(turn_deg)}{unit}"
    return f"{number(turn_deg)}, pitch {number(pitch_deg)}{unit}"


def view_title(turn_deg: float, pitch_deg: float) -> str:
    """Return ``tilt 20 deg``, or ``turn 20, pitch 10 deg`` where a turn alone isn't the tilt."""
    name = "tilt" if _turn_is_tilt([(pitch_deg, turn_deg)]) else "turn"
    return f"{name} {view_words(turn_deg, pitch_deg)}"


def _turn_is_tilt(views: Iterable[View]) -> bool:
    return all(pitch == 0.0 and turn >= 0.0 for pitch, turn in views)


def _rows_of(table: pl.DataFrame, standing: Standing) -> pl.DataFrame:
    return table.filter(
        pl.col("candidate") == standing.candidate, pl.col("pipeline") == standing.pipeline
    )


def _reach_words(rows: pl.DataFrame, column: str) -> str:
    """Return ``to 20 m at tilts 20 and 50 deg, to 5 m at tilt 0 deg``, farthest first."""
    reached = rows.filter(pl.col(column).is_not_null()).sort(
        column, descending=True, maintain_order=True
    )
    return ", ".join(_by_range(reached, column, "to {} m at {}"))


def _by_range(rows: pl.DataFrame, column: str, form: str) -> list[str]:
    return [
        form.format(number(float(range_m)), _tilts(mine))
        for (range_m,), mine in rows.group_by(column, maintain_order=True)
    ]


def _tilts(rows: pl.DataFrame) -> str:
    views = rows.select("pitch_deg", "turn_deg").rows()
    name = "tilt" if _turn_is_tilt(views) else "turn"
    plural = "s" if len(views) > 1 else ""
    words = joined(view_words(turn, pitch, unit="") for pitch, turn in views)
    return f"{name}{plural} {words} deg"
