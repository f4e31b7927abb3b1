"""What the study counts: pictures spent, decisions alike, decisions false."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from bench.digest import content_digest
from bench.files import write_atomically
from bench.survey.contour import Contour, Verdicts, contour_of
from bench.survey.verdicts import FAILS, HOLDS, UNDECIDED, Request
from bench.survey.worker import Job
from reports.contour import replay
from reports.contour.replay import Adaptive, Record
from reports.contour.setting import LOOKS, PIPELINES, REQUESTS, Size

Row = dict[str, Any]
BOTH = "both"
LOOKS_ALONE = "looks alone"  # every cell of the full grid, judged at each look


@dataclass(frozen=True)
class Replay:
    """One survey decided both ways.

    Attributes
    ----------
    draw : int
        0 is the record itself, others are drawn from it.
    request : int
        Place in `REQUESTS`.
    who : str
        A pipeline, `BOTH`, or `LOOKS_ALONE` (both pipelines).
    """

    draw: int
    request: int
    who: str

    @property
    def name(self) -> str:
        """As a file's name."""
        return f"{self.draw}-{self.request}-{self.who.replace('/', '+').replace(' ', '-')}"


def replays(draws: int) -> list[Replay]:
    """Return all: the record for both pipelines, each alone and looks alone, then the draws."""
    whos = (BOTH, LOOKS_ALONE, *PIPELINES)
    requests = range(len(REQUESTS))
    return [Replay(0, q, who) for who in whos for q in requests] + [
        Replay(draw, q, BOTH) for draw in range(1, draws + 1) for q in requests
    ]


def run(
    job: Job,
    record: Record,
    size: Size,
    folder: Path,
    progress: Callable[[int, int], None],
) -> pl.DataFrame:
    """Return one row a replay and pipeline; those found in the folder aren't done again."""
    todo = replays(size.draws)
    folder.mkdir(parents=True, exist_ok=True)
    digest = content_digest((job.plan, size, LOOKS, REQUESTS))
    rows: list[Row] = []
    for done, one in enumerate(todo):
        progress(done, len(todo))
        path = folder / f"{one.name}-{digest}.json"
        if not path.exists():
            found = rows_of(one, job, record, size)
            write_atomically(path, json.dumps(found).encode())
        rows += json.loads(path.read_text(encoding="utf-8"))
    progress(len(todo), len(todo))
    return pl.DataFrame(rows, infer_schema_length=None)


def contour_for(job: Job, size: Size, request: Request) -> Contour:
    """Return the rule that starts from the coarse grid of a full one."""
    step = 2**size.levels
    coarse = replace(
        job.plan, ranges_m=job.plan.ranges_m[::step], turns_deg=job.plan.turns_deg[::step]
    )
    return contour_of(coarse, request, size.levels, LOOKS)


def decided(
    one: Replay, job: Job, record: Record, size: Size
) -> tuple[Contour, Adaptive, Verdicts]:
    """Return the rule, what it came to, and the full grid's verdicts on the same cases."""
    if one.draw:
        record = record.drawn(np.random.default_rng([job.plan.seed, one.draw]))
    if one.who in PIPELINES:
        job, record = only(job, record, one.who)
    contour = contour_for(job, size, REQUESTS[one.request])
    if one.who == LOOKS_ALONE:
        contour = replace(contour, levels=0)
    job = replace(job, plan=contour.plan)
    return contour, replay.adaptive(job, contour, record), replay.full_grid(contour, record)


def only(job: Job, record: Record, pipeline: str) -> tuple[Job, Record]:
    """Return a job and its record with one pipeline alone."""
    plan = replace(job.plan, pipelines=(pipeline,))
    rows = record.rows.filter(pl.col("pipeline") == pipeline)
    return replace(job, plan=plan), Record(plan, rows, record.source)


def rows_of(one: Replay, job: Job, record: Record, size: Size) -> list[Row]:
    """Return what came of a replay, a row a pipeline."""
    contour, found, full = decided(one, job, record, size)
    truth = replay.truth_of(Record(record.plan, record.rows), contour.request)
    plan = contour.plan
    rows: list[Row] = []
    for pipeline in plan.pipelines:
        pairs = [(full[at][pipeline], found.implied[at][pipeline]) for at in sorted(full)]
        reach = [replay.reach(plan, v, pipeline) for v in (full, found.implied)]
        row: Row = {
            "draw": one.draw,
            "request": one.request,
            "who": one.who,
            "pipeline": pipeline,
            "pictures_full": plan.n_pictures,
            "pictures_adaptive": found.pictures,
            "cells": len(full),
            "cells_tested": len(found.tested),
            "alike": sum(a == b for a, b in pairs),
            "opposite": sum({a, b} == {HOLDS, FAILS} for a, b in pairs),
            "full_alone_decided": sum(a != UNDECIDED and b == UNDECIDED for a, b in pairs),
            "adaptive_alone_decided": sum(a == UNDECIDED and b != UNDECIDED for a, b in pairs),
            "both_undecided": sum(a == b == UNDECIDED for a, b in pairs),
            "turns": len(reach[0]),
            "turns_alike": sum(a == b for a, b in zip(*reach, strict=True)),
            "reach_full_m": reach[0],
            "reach_adaptive_m": reach[1],
        }
        ways = (("full", full), ("tested", found.tested), ("implied", found.implied))
        for name, verdicts in ways:
            cells = set(verdicts) - (set(found.tested) if name == "implied" else set())
            for truly, said, error in ((FAILS, HOLDS, "holds"), (HOLDS, FAILS, "fails")):
                these = [at for at in cells if truth[at][pipeline] == truly]
                row[f"{name}_could_falsely_{error}"] = len(these)
                row[f"{name}_falsely_{error}"] = sum(
                    verdicts[at][pipeline] == said for at in these
                )
        rows.append(row)
    return rows
