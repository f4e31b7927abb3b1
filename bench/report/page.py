"""The report as HTML: templates filled with what the other modules found."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl
from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from bench import __version__
from bench.assets import asset
from bench.draw.cell_grid import CellGrid, Facet
from bench.draw.map_info import MapInfo
from bench.report import plots, words
from bench.report.cell_facts import MARKS, colour_words, place_words
from bench.report.pictures import StaticFigure
from bench.report.run import MapRun
from bench.report.section import Section
from bench.report.views import CellView, noted_cells, page_data
from bench.survey.plan import number

FOLDER = "report"
# What would end a script element or an attribute, written so that JSON reads the same.
ESCAPES = {
    "<": "\\u003c",
    ">": "\\u003e",
    "&": "\\u0026",
    "\u2028": "\\u2028",
    "\u2029": "\\u2029",
}


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
    """Return the page with interactive maps: one file that asks for nothing else."""
    grid = CellGrid.of(report.run.cells)
    content = _content(report)
    panels = _panels(report, grid)
    content |= {
        "paper": False,
        "panels": panels,
        "data": as_json(page_data(report.views) | {"plots": _items(grid, report)}),
        "bokeh": Markup(as_script(plots.script())),
        "script": Markup(as_script(text_of("report.js"))),
    }
    return environment().get_template("report.html.j2").render(content)


def paper_html(report: Report) -> str:
    """Return the page for paper: the same content, still pictures in place of what moves."""
    grid = CellGrid.of(report.run.cells)
    content = _content(report)
    content |= {"paper": True, "panels": _panels(report, grid)}
    return environment().get_template("report.html.j2").render(content)


def as_json(value: Any) -> Markup:
    """Return JSON that can stand in a script element, whatever its texts hold."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for character, escape in ESCAPES.items():
        text = text.replace(character, escape)
    return Markup(text)


def as_script(text: str) -> str:
    """Return a script that can stand in a script element."""
    return text.replace("</script", "<\\/script").replace("<!--", "<\\!--")


def _content(report: Report) -> dict[str, Any]:
    run, info = report.run, report.info
    return {
        "title": f"Report on {info.bay}",
        "info": info,
        "headline": words.headline(run),
        "summary": words.summary(run),
        "request": info.criteria_words,
        "confidence": info.confidence_words,
        "pipelines": run.pipelines,
        "limit_rows": words.limit_rows(run),
        "bands": words.band_table(run),
        "map_figures": report.maps,
        "bound_figures": report.comparisons,
        "bound_table": words.bound_table(run),
        "noted": noted_cells(run, report.views),
        "sections": report.sections,
        "method": words.method(run, info),
        "provenance": words.provenance(run, report.command, __version__),
        "marks": {word: MARKS[word] for word in ("holds", "undecided", "fails")},
        "version": __version__,
        "style": Markup(text_of("report.css")),
        "started": run.run.value.starts[0].get("started", ""),
    }


def _panels(report: Report, grid: CellGrid) -> list[dict[str, Any]]:
    errors, rates = plots.quantities(grid, report.info.statistic)
    keys = [[{"label": q.label, **q.key} for q in shown] for shown in (errors, rates)]
    return [
        {
            "id": f"map-{i}",
            "title": _facet_words(grid, facet),
            "kinds": [
                {"name": name, "what": what, "keys": keys[k]}
                for k, (name, what) in enumerate((("errors", "error"), ("rates", "detection")))
            ],
            **_table(grid, facet, report),
        }
        for i, facet in enumerate(grid.facets)
    ]


def _facet_words(grid: CellGrid, facet: Facet) -> str:
    pitch = f", pitch {number(facet.pitch_deg)} deg" if grid.is_pitched else ""
    return f"{facet.pipeline}{pitch}"


def _table(grid: CellGrid, facet: Facet, report: Report) -> dict[str, Any]:
    """Return the cells of a facet as rows of a table, face-on lowest as in the maps."""
    statistic = f"{report.info.statistic}_rot_deg"
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
                    "error": colour_words(row[statistic]),
                    "rate": f"{100.0 * row['success_rate']:.3g} %",
                    "mark": MARKS[row["verdict"]],
                    "verdict": row["verdict"],
                    "place": place_words(row),
                }
            )
        table.append({"turn": number(turn), "cells": cells})
    return {
        "turn_label": grid.turn_label,
        "ranges": [number(r) for r in grid.ranges_m.tolist()],
        "rows": table,
    }


def _items(grid: CellGrid, report: Report) -> list[dict[str, Any]]:
    shown = plots.quantities(grid, report.info.statistic)
    return [
        {
            "panel": f"map-{i}",
            "kind": name,
            "item": plots.plot_item(grid, facet, quantities, "verdict", f"map-{i}-{name}"),
        }
        for i, facet in enumerate(grid.facets)
        for name, quantities in zip(("errors", "rates"), shown, strict=True)
    ]


def environment() -> Environment:
    """Return the environment of the page's templates."""
    return Environment(
        loader=FunctionLoader(text_of),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def text_of(name: str) -> str:
    """Return one of the page's assets."""
    return asset(f"{FOLDER}/{name}").read_text(encoding="utf-8")
