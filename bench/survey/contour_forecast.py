"""Forecast of what a contour will take: its rounds played with predicted rates.

A few real pictures say how each pipeline's errors compare with what the bay allows, and where it
fails; the predicted map carries that to every cell. The rounds are then the contour's own, with
misses drawn at those rates in place of pictures. Time follows from what each pipeline took of the
sample's, for a pipeline isn't run where it is decided.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
import polars as pl

from bench.digest import key_digest
from bench.solve.pipeline import pipeline_from_name
from bench.survey.contour import (
    Cell,
    Contour,
    Verdicts,
    left_open,
    refined_cells,
    start_cells,
)
from bench.survey.pace import Pace
from bench.survey.predicted_map import predict_map
from bench.survey.verdicts import FAILS, HOLDS, UNDECIDED
from bench.survey.worker import Job
from bench.typing import Array, BoolArray, IntArray

PLAYS = 5  # of which the middle one counts
DRAWS = 400  # of an error: a rate near 95 % is then known to 1 %
NEIGHBOURS = 5  # sampled pictures that say whether a cell's pictures are usable


# Pictures by the pipelines that are run on them.
Tally = Counter[tuple[str, ...]]


@dataclass(frozen=True)
class Likely:
    """What a contour is likely to take: pictures, their seconds on one core, cells."""

    pictures: int
    seconds: float
    cells: int


def likely_effort(job: Job, contour: Contour, pace: Pace) -> Likely:
    """Return about how much a contour takes.

    Parameters
    ----------
    job, contour : Job, Contour
        What is to be run.
    pace : Pace
        With rows of some of its pictures, from all over the grid.
    """
    missed = _missed(job, contour, pace.rows)
    rng = np.random.default_rng(
        np.random.SeedSequence([job.plan.seed, key_digest("contour forecast")])
    )
    plays = (_played(contour, missed, rng) for _ in range(PLAYS))
    tally, cells = sorted(plays, key=lambda play: play[0].total())[PLAYS // 2]
    seconds = sum(n * _picture_s(pace, names) for names, n in tally.items())
    return Likely(tally.total(), seconds, cells)


def _picture_s(pace: Pace, names: tuple[str, ...]) -> float:
    """Return the mean time of a picture with these pipelines alone, seconds."""
    own = pl.col("solve_ms") + pl.col("score_ms")
    means = pace.rows.group_by("pipeline").agg(pl.col("detect_ms").mean(), own.mean().alias("own"))
    detect, rest = (
        dict(means.select("pipeline", name).iter_rows()) for name in ("detect_ms", "own")
    )
    # pipelines with the same detector share what it finds
    first = {pipeline_from_name(name).detector.name: name for name in sorted(detect, reverse=True)}
    needed = {pipeline_from_name(name).detector.name for name in names}
    spared = sum(detect[name] for detector, name in first.items() if detector not in needed)
    spared += sum(ms for name, ms in rest.items() if name not in names)
    return float(pace.picture_s - 1e-3 * spared)


def _missed(job: Job, contour: Contour, sample: pl.DataFrame) -> dict[str, Array]:
    """Return each pipeline's rate of misses (R, T, P) in the cells of the fine plan."""
    plan = contour.plan
    maps = [predict_map(job.setting, plan.ranges_m, plan.turns_deg, p) for p in plan.pitches_deg]
    # rotations alone, degrees; a cell without a prediction is one without a picture
    sigma = np.degrees(np.stack([m.allowed[..., :3] for m in maps], axis=2))
    sigma = np.where(np.isfinite(sigma), sigma, 180.0)
    draws = np.random.default_rng(key_digest("errors")).standard_normal((DRAWS, 3))
    sizes = np.sqrt(sigma**2 @ (draws**2).T)
    middle = np.median(sizes, axis=-1)
    axes = [np.array(axis) for axis in (plan.ranges_m, plan.turns_deg, plan.pitches_deg)]
    found = {}
    for pipeline in plan.pipelines:
        rows = sample.filter(pl.col("pipeline") == pipeline)
        at = [
            np.searchsorted(axis, rows[name].to_numpy()).astype(np.int64)
            for axis, name in zip(axes, ("range_m", "turn_deg", "pitch_deg"), strict=True)
        ]
        usable = (rows["outcome"] == "ok").to_numpy()
        errors = rows["err_rot_deg"].to_numpy()[usable]
        ratio = np.median(errors / middle[tuple(a[usable] for a in at)]) if usable.any() else 1.0
        within = np.mean(ratio * sizes <= contour.request.within_deg, axis=-1)
        found[pipeline] = 1.0 - within * _usable(axes, at, usable)
    return found


def _usable(axes: list[Array], at: list[IntArray], usable: BoolArray) -> Array:
    """Return the share (R, T, P) of usable pictures among the nearest that were sampled."""
    spans = [np.linspace(0.0, 1.0, len(axis)) for axis in axes]
    cells = np.stack(np.meshgrid(*spans, indexing="ij"), axis=-1)
    places = np.stack([span[a] for span, a in zip(spans, at, strict=True)], axis=-1)
    away = np.linalg.norm(cells[..., None, :] - places, axis=-1)
    nearest = np.argsort(away, axis=-1)[..., :NEIGHBOURS]
    return np.asarray(usable.astype(np.float64)[nearest].mean(axis=-1))


def _played(
    contour: Contour, missed: dict[str, Array], rng: np.random.Generator
) -> tuple[Tally, int]:
    """Return the pictures and the number of cells of one contour with misses drawn at rates."""
    looks, verdicts, tally = contour.judged_by, Verdicts(), Tally()

    def decide(cells: list[Cell]) -> None:
        left, before = dict.fromkeys(cells, tuple(missed)), 0
        misses = {cell: dict.fromkeys(missed, 0) for cell in cells}
        for n, look in zip(looks.pictures, looks.looks, strict=True):
            for cell, names in left.items():
                tally[names] += n - before
                for name in names:
                    misses[cell][name] += int(rng.binomial(n - before, missed[name][cell]))
                verdicts.setdefault(cell, {}).update(
                    {
                        name: HOLDS
                        if misses[cell][name] <= look.hold
                        else FAILS
                        if misses[cell][name] >= look.fail
                        else UNDECIDED
                        for name in names
                    }
                )
            left, before = left_open(left, verdicts), n
            if not left:
                return

    decide(start_cells(contour))
    for level in range(contour.levels):
        while cells := refined_cells(contour, level, verdicts):
            decide(cells)
    return tally, len(verdicts)
