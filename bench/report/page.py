"""The report as HTML: templates filled with what the other modules found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from bench import __version__
from bench.draw.cell_grid import CellGrid, Facet
from bench.draw.map_info import MapInfo
from bench.pages import as_json, rendered, text_of
from bench.report import paint, words
from bench.report.answer import first_sentences
from bench.report.cell_facts import MARKS, percent
from bench.report.paint import Quantity
from bench.report.pictures import StaticFigure
from bench.report.reach import reach_picture
from bench.report.run import MapRun
from bench.report.section import Section
from bench.report.views import CellView, noted_cards, noted_cells, page_data
from bench.survey.plan import number


@dataclass(frozen=True, eq=False)
class Report:
    """All that a report shows.

    Attributes
    ----------
    run : MapRun
    info : MapInfo
        What captions say.
    views : sequence of CellView
        A view a cell.
    sections : sequence of Section
        Of other commands.
    maps, comparisons : sequence of StaticFigure
        The maps, and the pipelines against the bound.
    command : str
        That made the report.
    """

    run: MapRun
    info: MapInfo
    views: Sequence[CellView]
    sections: Sequence[Section]
    maps: Sequence[StaticFigure]
    comparisons: Sequence[StaticFigure]
    command: str


def html(report: Report) -> str:
    """Return the page with maps to point at: one file that asks for nothing else."""
    grid = CellGrid.of(report.run.cells)
    shown = paint.quantities(grid, report.info.statistic)
    content = _content(report, grid, shown)
    start = next(iter(noted_cells(report.run)), 0)
    content["data"] = as_json(page_data(report.views) | _painted(grid, shown) | {"start": start})
    return rendered("report.html.j2", content, _styles(), (text_of("report.js"),))


def paper_html(report: Report) -> str:
    """Return the page for paper: the same content, still pictures in place of what moves."""
    grid = CellGrid.of(report.run.cells)
    shown = paint.quantities(grid, report.info.statistic)
    # one scale, of what the printed tables show
    content = _content(report, grid, shown[:1])
    return rendered("report.html.j2", content, _styles(), paper=True)


def _styles() -> tuple[str, str]:
    return text_of("report.css"), paint.stylesheet()


def _content(report: Report, grid: CellGrid, shown: Sequence[Quantity]) -> dict[str, Any]:
    run, info = report.run, report.info
    return {
        "title": f"Report on {info.bay}",
        "info": info,
        "first": first_sentences(run),
        "reach": reach_picture(run),
        "panels": _panels(grid, shown[0]),
        "keys": [quantity.key for quantity in shown],
        "summary": words.summary(run),
        "request": info.criteria_words,
        "confidence": info.confidence_words,
        "pipelines": run.pipelines,
        "limit_rows": words.limit_rows(run),
        "bands": words.band_table(run),
        "map_figures": report.maps,
        "bound_figures": report.comparisons,
        "bound_table": words.bound_table(run),
        "noted": noted_cards(run, report.views),
        "sections": report.sections,
        "method": words.method(run, info),
        "provenance": words.provenance(run, report.command, __version__),
        "marks": {word: MARKS[word] for word in ("holds", "undecided", "fails")},
        "started": run.run.value.starts[0].get("started", ""),
    }


def _panels(grid: CellGrid, shown: Quantity) -> list[dict[str, Any]]:
    return [
        {"id": f"map-{i}", "title": _facet_words(grid, facet), **_table(grid, facet, shown)}
        for i, facet in enumerate(grid.facets)
    ]


def _painted(grid: CellGrid, shown: Sequence[Quantity]) -> dict[str, Any]:
    """Return what each cell shows of each quantity: its class and its words."""
    return {
        "keys": [{"label": quantity.label, "unit": quantity.unit} for quantity in shown],
        "shown": [
            [[q.paint(row[q.column]), q.said(row[q.column])] for q in shown]
            for row in grid.cells.iter_rows(named=True)
        ],
    }


def _facet_words(grid: CellGrid, facet: Facet) -> str:
    pitch = f", pitch {number(facet.pitch_deg)} deg" if grid.is_pitched else ""
    return f"{facet.pipeline}{pitch}"


def _table(grid: CellGrid, facet: Facet, shown: Quantity) -> dict[str, Any]:
    """Return the cells of a facet as rows of a table, face-on lowest as in the maps."""
    rows = grid.cells.with_row_index("index").filter(
        (pl.col("pipeline") == facet.pipeline) & (pl.col("pitch_deg") == facet.pitch_deg)
    )
    by_place = {(r["turn_deg"], r["range_m"]): r for r in rows.iter_rows(named=True)}
    table = []
    for turn in grid.turns_deg[::-1].tolist():
        cells = []
        for range_m in grid.ranges_m.tolist():
            row = by_place.get((turn, range_m))
            cells.append(
                None
                if row is None
                else {
                    "index": row["index"],
                    "error": shown.said(row[shown.column]),
                    "paint": shown.paint(row[shown.column]),
                    "rate": percent(row["success_rate"]),
                    "mark": MARKS[row["verdict"]],
                    "verdict": row["verdict"],
                }
            )
        table.append({"turn": number(turn), "cells": cells})
    return {
        "turn_label": grid.turn_label,
        "ranges": [number(r) for r in grid.ranges_m.tolist()],
        "rows": table,
    }
