"""The study's report, in words and tables."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from bench.provenance import host_facts, library_versions
from bench.survey.plan import Plan, number
from bench.survey.statistics import wilson_interval
from reports.contour.setting import (
    FULL,
    LOOKS,
    PIPELINES,
    QUICK,
    REQUESTS,
    Size,
    request_words,
)
from reports.contour.study import BOTH, LOOKS_ALONE
from reports.photometric.report_words import paragraph, table

CONFIDENCE = 0.95


def write(folder: Path, found: pl.DataFrame, plan: Plan, size: Size, quick: bool) -> None:
    """Write the report and the table behind it."""
    listed = found.with_columns(
        pl.col(name).list.eval(pl.element().cast(pl.String).fill_null("none")).list.join(" ")
        for name in ("reach_full_m", "reach_adaptive_m")
    )
    listed.write_csv(folder / "replays.csv")
    parts = (
        _introduction(plan, size),
        _savings(found),
        _alike(found),
        _limits(found, plan),
        _false(found, size),
        _again(plan, quick),
    )
    (folder / "README.md").write_text("\n\n".join(parts) + "\n", encoding="utf-8")


def _introduction(plan: Plan, size: Size) -> str:
    step = 2**size.levels
    ranges, turns = (
        ", ".join(map(number, axis[::step])) for axis in (plan.ranges_m, plan.turns_deg)
    )
    text = paragraph(
        "`sightbench contour` looks at a coarse grid, halves its intervals where neighbours",
        f"differ, and gives a cell trials until it is decided ({LOOKS} looks, which share the",
        "error). Does that decide as the full grid does, and with how many pictures fewer?",
    )
    halved = "once" if size.levels == 1 else f"{size.levels} times"
    setting = paragraph(
        f"The full grid was run once: ranges {ranges} m and turns {turns} deg with every interval",
        f"halved {halved}, {plan.n_cells} cells of {plan.trials} trials,"
        f" {plan.n_pictures} pictures, seed {plan.seed}, the shipped bay's target and camera, as",
        f"drawn, pipelines {' and '.join(plan.pipelines)}. It judges every cell once, after all",
        "trials. The adaptive rule was then played by its own code over the recorded cases, so",
        "that both saw the same pictures; a cell gets trials until both pipelines are decided.",
        f"{size.draws} further surveys were drawn from the record, each cell's trials with",
        "replacement: for them the recorded cases are all there are, and the truth is known.",
    )
    return f"# What an adaptive survey saves\n\n{text}\n\n{setting}"


def _savings(found: pl.DataFrame) -> str:
    own = found.filter(pl.col("draw") == 0)
    rows = []
    for i, request in enumerate(REQUESTS):
        one = own.filter(pl.col("request") == i)
        drawn = found.filter(
            (pl.col("draw") > 0) & (pl.col("request") == i) & (pl.col("pipeline") == PIPELINES[0])
        )
        shares = drawn.select(
            1 - pl.col("pictures_adaptive") / pl.col("pictures_full")
        ).to_series()
        spread = f"{_percent(shares.min())} to {_percent(shares.max())}" if len(shares) else ""
        by_who = {row["who"]: row for row in one.iter_rows(named=True)}
        both = by_who[BOTH]
        rows.append(
            (
                request_words(request),
                f"{both['cells_tested']} of {both['cells']}",
                both["pictures_adaptive"],
                both["pictures_full"],
                _saved(both),
                spread,
                _saved(by_who[LOOKS_ALONE]),
                *(_saved(by_who[name]) for name in PIPELINES),
            )
        )
    head = (
        "tolerance",
        "cells tested",
        "pictures",
        "full grid",
        "saved",
        "in drawn surveys",
        "by looks alone",
        *(f"{name} alone" for name in PIPELINES),
    )
    least = min(float(row[4].split()[0]) for row in rows)
    most = max(float(row[4].split()[0]) for row in rows)
    words = paragraph(
        f"{least:g} to {most:g} % of the pictures are saved, depending on the tolerance."
        " *By looks alone* is every cell of the full grid, with as many trials as it takes: the",
        "rest comes from leaving out cells.",
    )
    return f"## Pictures saved\n\n{words}\n\n{table(head, rows)}\n\n![Trials](trials.png)"


def _alike(found: pl.DataFrame) -> str:
    names = ("alike", "opposite", "full_alone_decided", "adaptive_alone_decided", "both_undecided")
    rows = []
    for i, request in enumerate(REQUESTS):
        for draws, words in ((pl.col("draw") == 0, "the record"), (pl.col("draw") > 0, "drawn")):
            these = found.filter(draws & (pl.col("request") == i) & (pl.col("who") == BOTH))
            if these.is_empty():
                continue
            total = int(these["cells"].sum())
            rows.append(
                (
                    request_words(request),
                    words,
                    total,
                    *(f"{these[n].sum()} ({_percent(these[n].sum() / total)})" for n in names),
                )
            )
    head = (
        "tolerance",
        "survey",
        "cells × pipelines",
        "alike",
        "one holds, one fails",
        "full grid alone decided",
        "adaptive alone decided",
        "both undecided",
    )
    words = paragraph(
        "All cells of the full grid count, those that the adaptive survey left out with what it",
        "assumes of them. Each look is held to a higher confidence than the full grid's one, so",
        "the full grid decides a few cells that the adaptive survey leaves undecided: that is the",
        "price of looking early, and more trials decide them. The adaptive survey alone decides",
        "where it judged earlier, or where it assumes a cell to be like its neighbours.",
    )
    return f"## Does it decide alike?\n\n{words}\n\n{table(head, rows)}"


def _limits(found: pl.DataFrame, plan: Plan) -> str:
    own = found.filter((pl.col("draw") == 0) & (pl.col("who") == BOTH))
    rows = [
        (
            request_words(REQUESTS[row["request"]]),
            row["pipeline"],
            *(
                _reach(a) if a == b else f"{_reach(a)} / **{_reach(b)}**"
                for a, b in zip(row["reach_full_m"], row["reach_adaptive_m"], strict=True)
            ),
        )
        for row in own.sort("request", "pipeline").iter_rows(named=True)
    ]
    head = ("tolerance", "pipeline", *(f"{number(t)}°" for t in plan.turns_deg))
    drawn = found.filter((pl.col("draw") > 0) & (pl.col("who") == BOTH))
    alike, turns = int(own["turns_alike"].sum()), int(own["turns"].sum())
    longer = sum(
        (b or 0.0) > (a or 0.0)
        for row in found.filter(pl.col("who") == BOTH).iter_rows(named=True)
        for a, b in zip(row["reach_full_m"], row["reach_adaptive_m"], strict=True)
    )
    more = (
        f" In the drawn surveys {drawn['turns_alike'].sum()} of {drawn['turns'].sum()}."
        if len(drawn)
        else ""
    )
    reaching = f"{longer} reach{'es' if longer == 1 else ''}"
    words = paragraph(
        f"The longest range, m, up to which every cell holds, for each turn: {alike} of {turns}"
        f" are the same.{more} Of those that differ, {reaching} farther by the adaptive",
        "survey, the others less far: its looks are held to more. Where they differ: full grid /",
        "**adaptive**.",
    )
    return f"## Limits\n\n{words}\n\n{table(head, rows)}"


def _false(found: pl.DataFrame, size: Size) -> str:
    drawn = found.filter((pl.col("draw") > 0) & (pl.col("who") == BOTH))
    if drawn.is_empty():
        return "## False decisions\n\nNo survey was drawn."
    rows = []
    for i, request in enumerate(REQUESTS):
        these = drawn.filter(pl.col("request") == i)
        for error in ("holds", "fails"):
            cells = []
            for way in ("full", "tested", "implied"):
                n = int(these[f"{way}_could_falsely_{error}"].sum())
                k = int(these[f"{way}_falsely_{error}"].sum())
                cells.append(_rate(k, n))
            rows.append((request_words(request), f"falsely {error}", *cells))
    head = (
        "tolerance",
        "",
        "full grid, 1 look",
        "adaptive, cells tested",
        "adaptive, cells assumed",
    )
    words = paragraph(
        f"In {size.draws} drawn surveys, of the decisions on cells that truly fail, how many said",
        "*holds*, and the other way round, with Wilson's 95 % intervals (decisions on the same",
        "cell in different draws are independent; the population is the same). For each single",
        "cell the promise is 5 %; most cells are far from the tolerance and never err, so that",
        "the mean over cells is much less.",
    )
    return f"## False decisions\n\n{words}\n\n{table(head, rows)}"


def _again(plan: Plan, quick: bool) -> str:
    host = host_facts()
    libraries = ", ".join(f"{name} {value}" for name, value in library_versions())
    changed = " --quick" if quick else ""
    usual = (QUICK if quick else FULL).trials
    changed += "" if plan.trials == usual else f" --trials {plan.trials}"
    return f"""## Make it again

```sh
python -m reports.contour{changed}
```

Seed {plan.seed}. {host["processor"]}, {host["cores"]} cores, Python {host["python"]}; {libraries}.
An interrupted study goes on with the same command. All numbers depend on the seed alone; none is
a time. `replays.csv` has a row for each replay and pipeline."""


def _reach(value: float | None) -> str:
    return "none" if value is None else number(value)


def _saved(row: dict[str, int]) -> str:
    return f"{100 * (1 - row['pictures_adaptive'] / row['pictures_full']):.0f} %"


def _percent(value: object) -> str:
    return f"{100 * float(value):.3g} %"  # type: ignore[arg-type]


def _rate(k: int, n: int) -> str:
    if n == 0:
        return "no such cell"
    low, high = wilson_interval(k, n, CONFIDENCE)
    return f"{k} of {n} ({100 * low:.2g} to {100 * high:.2g} %)"
