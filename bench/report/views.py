"""The cells as a page has them: their numbers in words, and the pictures of two cases."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from bench.report.cell_facts import (
    LABELS,
    MARKS,
    case_words,
    cell_facts,
    efficiency_words,
    place_words,
)
from bench.report.run import MapRun
from bench.report.samples import Place, Row, Sample
from bench.report.shots import Shot
from bench.survey.verdicts import HOLDS
from bench.units import readable


@dataclass(frozen=True)
class SampleView:
    """One picture with its words."""

    title: str
    key: str
    words: str
    shot: Shot | None


@dataclass(frozen=True)
class CellView:
    """A cell with all that its details show."""

    index: int
    pipeline: str
    place: str
    verdict: str
    mark: str
    facts: tuple[tuple[str, str], ...]
    samples: tuple[SampleView, ...]


def cell_views(
    run: MapRun, samples: Mapping[Place, Sample], shots: Mapping[tuple[str, str], Shot]
) -> list[CellView]:
    """Return a view a cell, in the order of the table of cells."""
    views = []
    for index, row in enumerate(run.cells.iter_rows(named=True)):
        place = (row["pipeline"], row["range_m"], row["turn_deg"], row["pitch_deg"])
        sample = samples.get(place)
        views.append(
            CellView(
                index,
                row["pipeline"],
                place_words(row),
                row["verdict"],
                MARKS[row["verdict"]],
                tuple(zip(LABELS, cell_facts(row), strict=True)),
                () if sample is None else _sample_views(row["pipeline"], sample, shots),
            )
        )
    return views


def _sample_views(
    pipeline: str, sample: Sample, shots: Mapping[tuple[str, str], Shot]
) -> tuple[SampleView, ...]:
    def view(title: str, row: Row) -> SampleView:
        shot = shots.get((row["key"], pipeline.split("/")[0]))
        return SampleView(title, row["key"], case_words(row), shot)

    typical = () if sample.typical is None else (view("Typical case", sample.typical),)
    return (*typical, view("Worst case", sample.worst))


def page_data(views: Sequence[CellView]) -> dict[str, Any]:
    """Return what the page's script shows of cells; a picture that several show is held once."""
    pictures: dict[str, int] = {}
    cells = []
    for view in views:
        cells.append(
            {
                "pipeline": view.pipeline,
                "place": view.place,
                "verdict": view.verdict,
                "mark": view.mark,
                "facts": [value for _, value in view.facts],
                "samples": [_sample(s, pictures) for s in view.samples],
            }
        )
    return {"labels": list(LABELS), "cells": cells, "pictures": list(pictures)}


def _sample(sample: SampleView, pictures: dict[str, int]) -> dict[str, Any]:
    content: dict[str, Any] = {"title": sample.title, "key": sample.key, "words": sample.words}
    if sample.shot is not None:
        shot = sample.shot
        content |= {
            "picture": pictures.setdefault(shot.webp, len(pictures)),
            "width": shot.width,
            "height": shot.height,
            "found": shot.found,
            "edge": shot.edge,
            "lossless": shot.lossless,
        }
    return content


@dataclass(frozen=True)
class Card:
    """A cell worth a look: what it is, three lines, and its pictures."""

    title: str
    lines: tuple[str, str, str]
    samples: tuple[SampleView, ...]


def noted_cards(run: MapRun, views: Sequence[CellView]) -> list[Card]:
    """Return the cells that say most, at most three a pipeline.

    The last that holds along the view that reaches farthest, the one that ends it, and the one
    with the most gross failures.
    """
    rows = run.cells.rows(named=True)
    return [
        Card(
            f"{views[index].pipeline}, {views[index].place}: {why}",
            _card_lines(rows[index]),
            views[index].samples,
        )
        for index, why in noted_cells(run).items()
    ]


def _card_lines(row: Row) -> tuple[str, str, str]:
    """Return what a cell comes to in three lines of two digits."""
    failed = row["n"] - row["n_ok"]
    lost = f", {failed} gross failures" if failed else ""
    (rms, p95), unit = readable("deg", row["rms_rot_deg"], row["p95_rot_deg"])
    error = f"Rotation error {rms} {unit} RMS, {p95} {unit} 95th percentile."
    bound = "No bound holds so near face-on."
    if row["bound_holds"] and row["efficiency_rot"]:
        (least,), unit = readable("deg", row["bound_rot_deg"])
        bound = f"Bound {least} {unit}: efficiency {efficiency_words(row['efficiency_rot'])}."
    return (
        f"{MARKS[row['verdict']]} {row['verdict']}: {row['n_within']} of {row['n']} within "
        f"tolerance{lost}.",
        error if row["n_ok"] else "No usable pose, so no error.",
        bound,
    )


def noted_cells(run: MapRun) -> dict[int, str]:
    """Return why which cells, by their index, are worth a look."""
    by_place = {
        (row["pipeline"], row["range_m"], row["turn_deg"], row["pitch_deg"]): i
        for i, row in enumerate(run.cells.iter_rows(named=True))
    }
    noted: dict[int, str] = {}
    for name in run.pipelines:
        ranges = run.limits.ranges.filter(pl.col("pipeline") == name)
        best = ranges.sort(
            "longest_range_m", "tilt_deg", descending=[True, False], nulls_last=True
        ).row(0, named=True)
        view = (best["turn_deg"], best["pitch_deg"])
        if best["verdict"] == HOLDS:
            place = (name, best["longest_range_m"], *view)
            noted.setdefault(by_place[place], "the farthest that holds")
        if best["next_range_m"] is not None:
            place = (name, best["next_range_m"], *view)
            reaches = best["longest_range_m"] is not None
            why = "what ends that" if reaches else "why there is no limit"
            noted.setdefault(by_place[place], why)
        cells = run.cells.filter(pl.col("pipeline") == name)
        failing = cells.sort("usable_rate", "range_m", "tilt_deg").row(0, named=True)
        if failing["n_ok"] < failing["n"]:
            place = (name, failing["range_m"], failing["turn_deg"], failing["pitch_deg"])
            noted.setdefault(by_place[place], "most failures")
    return noted
