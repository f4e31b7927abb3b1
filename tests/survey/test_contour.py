import math
from dataclasses import replace
from itertools import product

import polars as pl
import pytest

import bench.survey.store as store_module
from bench.errors import ConfigError, RunError
from bench.survey.contour import (
    bisected,
    contour_of,
    implied_verdicts,
    indices_of,
    judge,
    left_open,
    refined_cells,
    start_cells,
)
from bench.survey.contour_run import run_contour
from bench.survey.executors import InlineExecutor, ProcessExecutor
from bench.survey.looks import plan_looks
from bench.survey.run import run_survey
from bench.survey.store import RunStore, read_cases
from bench.survey.verdicts import FAILS, HOLDS, UNDECIDED, Request

REQUEST = Request(within_deg=0.5, success=0.8)


@pytest.fixture
def plan(make_job):
    return make_job(ranges_m=(1.0, 2.0, 3.0), turns_deg=(0.0, 20.0, 40.0), trials=40).plan


def search(contour, truth):
    """Refine as a run does, with verdicts from a function; return the tested cells' verdicts."""
    verdicts = {cell: {"p": truth(*cell)} for cell in start_cells(contour)}
    for level in range(contour.levels):
        while cells := refined_cells(contour, level, verdicts):
            assert not verdicts.keys() & set(cells)
            verdicts |= {cell: {"p": truth(*cell)} for cell in cells}
    return verdicts


def every_cell(contour):
    p = contour.plan
    return product(range(len(p.ranges_m)), range(len(p.turns_deg)), range(len(p.pitches_deg)))


def test_a_grid_is_bisected_into_equal_parts():
    assert bisected((1.0, 2.0, 4.0), 2) == (1.0, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0, 3.5, 4.0)
    assert bisected((7.0,), 3) == (7.0,)


def test_the_last_look_is_after_all_trials_and_each_after_twice_as_many(plan):
    assert contour_of(plan, REQUEST, 1, 4).looks == (5, 10, 20, 40)
    assert contour_of(replace(plan, trials=41), REQUEST, 1, 3).looks == (11, 21, 41)


def test_looks_are_judged_by_the_pictures_of_all_places_in_the_frame(plan):
    plan = replace(plan, positions=(None, (0.2, 0.2)))
    judged = contour_of(plan, REQUEST, 1, 4).judged_by
    assert judged.pictures == (10, 20, 40, 80)
    assert judged == plan_looks((10, 20, 40, 80), 0.8, 0.95)


@pytest.mark.parametrize(("levels", "looks"), [(-1, 1), (7, 1), (1, 0), (1, 7)])
def test_what_cannot_be_done_is_refused(plan, levels, looks):
    with pytest.raises(ConfigError, match=r"^(levels|looks): "):
        contour_of(plan, REQUEST, levels, looks)


def test_indices_are_those_of_the_plans_own_cases(plan):
    plan = replace(plan, pitches_deg=(0.0, 10.0), positions=(None, (0.2, 0.2)), trials=7)
    found = [plan.case(i) for i in indices_of(plan, [(2, 1, 1), (0, 0, 0)], 3)]
    assert len(found) == 2 * 3 * 2
    assert {(c.range_m, c.turn_deg, c.pitch_deg) for c in found} == {(3, 20, 10), (1, 0, 0)}
    assert {c.trial for c in found} == {0, 1, 2}
    assert len({c.key for c in found}) == len(found)


def test_a_smooth_contour_is_found_on_the_whole_fine_grid_from_a_part_of_its_cells(plan):
    contour = contour_of(plan, REQUEST, 4, 1)  # 33 x 33 cells

    def truth(r, t, p):
        return HOLDS if math.hypot(r, t) < 21.5 else FAILS

    verdicts = search(contour, truth)
    implied = implied_verdicts(contour, verdicts)
    assert {cell: implied[cell]["p"] for cell in every_cell(contour)} == {
        cell: truth(*cell) for cell in every_cell(contour)
    }
    # a contour of length L crosses about L cells and testing them takes those beside it: some
    # 4 L at the finest level and half as many at each coarser one, 8 L in all; L is 34 here
    assert len(verdicts) < 8 * 34 < 33 * 33


def test_a_contour_that_leaves_through_an_edge_is_followed_into_the_next_square(plan):
    # the given grid's corners see the bump in the upper square alone
    contour = contour_of(plan, REQUEST, 3, 1)  # 17 x 17; given lattice 0, 8, 16

    def truth(r, t, p):
        return FAILS if (abs(r - 4) <= 3 and t >= 5) or (r == 0 and t == 16) else HOLDS

    verdicts = search(contour, truth)
    implied = implied_verdicts(contour, verdicts)
    assert {c: implied[c]["p"] for c in every_cell(contour)} == {
        c: truth(*c) for c in every_cell(contour)
    }


def test_what_lies_wholly_between_tested_cells_is_not_seen(plan):
    """The limit of the method, as its words say."""
    contour = contour_of(plan, REQUEST, 2, 1)

    def truth(r, t, p):
        return FAILS if (r, t) == (3, 3) else HOLDS

    verdicts = search(contour, truth)
    assert set(verdicts) == set(start_cells(contour))
    assert implied_verdicts(contour, verdicts)[3, 3, 0]["p"] == HOLDS


def test_a_single_row_is_refined_along_it(plan):
    contour = contour_of(replace(plan, turns_deg=(30.0,)), REQUEST, 3, 1)
    verdicts = search(contour, lambda r, t, p: HOLDS if r <= 10 else FAILS)
    assert {10, 11} <= {r for r, _, _ in verdicts}
    implied = implied_verdicts(contour, verdicts)
    assert [implied[r, 0, 0]["p"] for r in range(17)] == [HOLDS] * 11 + [FAILS] * 6


def test_every_pitch_has_a_contour_of_its_own(plan):
    contour = contour_of(replace(plan, pitches_deg=(0.0, 30.0)), REQUEST, 3, 1)
    verdicts = search(contour, lambda r, t, p: HOLDS if p == 0 or r <= 10 else FAILS)
    by_pitch = [sum(1 for cell in verdicts if cell[2] == pitch) for pitch in (0, 1)]
    assert by_pitch[0] == 9
    assert by_pitch[1] > 9


def test_a_cell_is_open_for_the_pipelines_that_are_not_decided():
    verdicts = {
        (0, 0, 0): {"a": HOLDS, "b": UNDECIDED},
        (1, 0, 0): {"a": HOLDS, "b": FAILS},
    }
    assert left_open(verdicts, verdicts) == {(0, 0, 0): ("b",)}


@pytest.fixture
def contour_job(make_job):
    job = make_job(ranges_m=(1.5, 4.5), turns_deg=(0.0, 40.0), trials=80)
    contour = contour_of(job.plan, Request(within_deg=1.0, success=0.5), 1, 2)
    return replace(job, plan=contour.plan), contour


def store_of(directory, contour):
    return RunStore(directory, contour.as_dict())


@pytest.mark.slow
def test_a_contours_cases_are_those_of_the_full_survey(contour_job, tmp_path):
    job, contour = contour_job
    report = run_contour(job, contour, store_of(tmp_path, contour), InlineExecutor())
    assert report.complete
    cases = read_cases(tmp_path)
    counts = cases.group_by("range_m", "turn_deg", "pipeline").len()
    assert set(counts["len"]) <= set(contour.looks)
    assert report.run.added == cases["key"].n_unique() < job.plan.n_pictures
    assert judge(cases, contour) == report.verdicts
    some = cases.filter(pl.col("range_m") == 1.5).head(3)
    only = replace(job.plan, ranges_m=(1.5,), trials=4)
    run_survey(replace(job, plan=only), RunStore(tmp_path / "full"), InlineExecutor())
    full = read_cases(tmp_path / "full")
    for row in some.filter(pl.col("trial") < 4).iter_rows(named=True):
        same = full.filter((pl.col("key") == row["key"]) & (pl.col("pipeline") == row["pipeline"]))
        assert same.row(0, named=True) == row


@pytest.mark.slow
def test_a_stopped_contour_is_resumed_to_the_same_tables(contour_job, tmp_path):
    job, contour = contour_job
    run_contour(job, contour, store_of(tmp_path / "whole", contour), InlineExecutor())
    seen = []
    store = store_of(tmp_path / "parts", contour)

    def progress(done, total):
        seen.append(done)

    first = run_contour(
        job, contour, store, InlineExecutor(), 5, progress, lambda: max(seen) >= 210
    )
    assert not first.complete
    assert first.run.added >= 210
    again = run_contour(job, contour, store, ProcessExecutor(2), 7)
    assert again.complete
    assert again.run.found == first.run.added
    assert read_cases(tmp_path / "parts").equals(read_cases(tmp_path / "whole"), null_equal=True)
    third = run_contour(job, contour, store, InlineExecutor())
    assert (third.run.added, third.verdicts) == (0, again.verdicts)


@pytest.mark.slow
def test_looks_read_no_part_but_those_of_a_stopped_run(contour_job, tmp_path, monkeypatch):
    job, contour = contour_job
    read = []

    def counted(paths, columns=None):
        paths = list(paths)
        if columns is not None and len(columns) > 2:
            read.extend(paths)
        return reading(paths, columns)

    reading = store_module._read_parts
    monkeypatch.setattr(store_module, "_read_parts", counted)
    store, seen = store_of(tmp_path / "run", contour), []
    stopped = run_contour(
        job,
        contour,
        store,
        InlineExecutor(),
        8,
        lambda n, _: seen.append(n),
        lambda: len(seen) > 6,
    )
    assert not stopped.complete
    assert read == []
    parts = len(list((tmp_path / "run" / "parts").iterdir()))
    assert run_contour(job, contour, store, InlineExecutor(), 8).complete
    assert len(read) == parts


def test_a_directory_belongs_to_one_tolerance(contour_job, tmp_path):
    job, contour = contour_job
    store_of(tmp_path, contour).begin(contour.plan)
    other = replace(contour, request=replace(contour.request, within_deg=0.3))
    with pytest.raises(RunError, match=r"within_deg is 1 there, 0\.3 is asked for"):
        run_contour(job, other, store_of(tmp_path, other), InlineExecutor())
    with pytest.raises(RunError, match="holds a run of another plan"):
        run_survey(job, RunStore(tmp_path), InlineExecutor())
