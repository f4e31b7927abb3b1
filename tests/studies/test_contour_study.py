"""The study's replays, over an invented record."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from bench.survey.columns import CASE_COLUMNS, schema
from bench.survey.contour import judge
from bench.survey.plan import Plan
from bench.survey.verdicts import FAILS, HOLDS, Request
from bench.survey.worker import INDEX
from reports.contour import figures, replay, report, study
from reports.contour.replay import Record, record_of
from reports.contour.setting import PIPELINES, Size, study_job

SIZE = Size(levels=1, trials=120, draws=1)
REQUEST = Request(within_deg=1.5, success=0.9)


@pytest.fixture(scope="module")
def job():
    return study_job(SIZE, seed=1)


def invented(plan: Plan) -> pl.DataFrame:
    """Errors of 0.15 deg a metre: 90 % of them are within 1.5 deg at 6.1 m."""
    rng = np.random.default_rng(3)
    rows = [
        {
            "key": case.key,
            "pipeline": pipeline,
            "range_m": case.range_m,
            "turn_deg": case.turn_deg,
            "pitch_deg": 0.0,
            "tilt_deg": case.turn_deg,
            "position": "axis",
            "trial": case.trial,
            "size_px": 50.0,
            "whole": True,
            "outcome": "ok",
            "err_rot_deg": abs(rng.normal(0.0, 0.15 * case.range_m)),
        }
        for case in plan.cases()
        for pipeline in plan.pipelines
    ]
    return pl.DataFrame(rows, schema=schema(CASE_COLUMNS)).sort("range_m", "key", "pipeline")


@pytest.fixture(scope="module")
def record(job) -> Record:
    return record_of(job.plan, invented(job.plan))


def test_a_record_answers_with_the_cases_asked_for(job, record):
    asked = [5, 0, 300]
    rows = record.answer(asked)
    assert rows[INDEX].to_list() == [5, 5, 0, 0, 300, 300]
    assert rows["key"].to_list() == [job.plan.case(i).key for i in asked for _ in PIPELINES]


def test_a_drawn_survey_takes_each_cells_own_trials_under_new_names(job, record):
    drawn = record.drawn(np.random.default_rng(1))
    rows = drawn.answer(range(job.plan.n_pictures))
    assert rows["key"].n_unique() == job.plan.n_pictures
    cell = pl.col("range_m") == job.plan.ranges_m[2]
    assert set(rows.filter(cell)["err_rot_deg"]) < set(record.rows.filter(cell)["err_rot_deg"])
    named = {job.plan.case(i).key: i for i in range(job.plan.n_pictures)}
    for key, index, trial in rows.select("key", INDEX, "trial")[::997].iter_rows():
        assert (named[key], job.plan.case(index).trial) == (index, trial)


def test_both_ways_see_the_same_cases_and_decide_by_their_own_confidence(job, record):
    contour = study.contour_for(job, SIZE, REQUEST)
    assert contour.plan == job.plan
    found = replay.adaptive(job, contour, record)
    full = replay.full_grid(contour, record)
    assert found.pictures == sum(found.trials.values()) < job.plan.n_pictures
    assert set(found.trials.values()) <= set(contour.looks)
    # the tested cells' verdicts are those of their first trials, at the looks' confidence
    for at in list(found.tested)[::7]:
        rows = record.rows.filter(
            (pl.col("range_m") == job.plan.ranges_m[at[0]])
            & (pl.col("turn_deg") == job.plan.turns_deg[at[1]])
            & (pl.col("trial") < found.trials[at])
        )
        assert judge(rows, contour)[at] == found.tested[at]
    # far from 6.1 m both know: at 3.75 m and nearer 99.2 % are within, where six of 120 may miss,
    # at 10 m 68 %
    for way in (full, found.implied):
        for (r, t, p), verdicts in way.items():
            assert set(full) == set(way)
            if job.plan.ranges_m[r] <= 3.75 or job.plan.ranges_m[r] >= 10.0:
                truly = HOLDS if job.plan.ranges_m[r] <= 3.75 else FAILS
                assert set(verdicts.values()) == {truly}, (r, t, p)


def test_the_truth_is_what_the_recorded_cases_say(job, record):
    truth = replay.truth_of(record, REQUEST)
    for pipeline in PIPELINES:
        reach = replay.reach(job.plan, truth, pipeline)
        assert set(reach) == {5.0}  # where 95 % are within; at 7.5 m 82 %
    wild = replace(REQUEST, success=0.9999)
    rows = record.rows.with_columns(
        pl.when(pl.col("trial") == 0).then(pl.lit("missed")).otherwise("outcome").alias("outcome")
    )
    failing = replay.truth_of(Record(record.plan, rows), wild)
    assert {v for cell in failing.values() for v in cell.values()} == {FAILS}


@pytest.mark.slow
def test_an_interrupted_study_goes_on_and_its_report_says_what_was_found(
    job, record, tmp_path, monkeypatch
):
    work = tmp_path / "replays"
    monkeypatch.setattr(study, "REQUESTS", (REQUEST,))
    monkeypatch.setattr(report, "REQUESTS", (REQUEST,))
    monkeypatch.setattr(figures, "REQUESTS", (REQUEST,))
    found = study.run(job, record, SIZE, work, lambda done, total: None)
    assert len(found) == 2 + 2 + 1 + 1 + 2  # both, looks alone, each alone, one drawn survey
    counts = ("alike", "opposite", "full_alone_decided", "adaptive_alone_decided")
    assert (found.select(pl.sum_horizontal(counts)).to_series() == found["cells"]).all()

    def refuse(*_: object) -> None:
        raise AssertionError("done before")

    monkeypatch.setattr(study, "rows_of", refuse)
    assert study.run(job, record, SIZE, work, lambda done, total: None).equals(found)
    report.write(tmp_path, found, job.plan, SIZE, quick=True)
    text = (tmp_path / "README.md").read_text(encoding="utf-8")
    used = found.row(0, named=True)["pictures_adaptive"]
    assert f"| {used} | {job.plan.n_pictures} | {100 * (1 - used / 5880):.0f} % |" in text
    shown = study.decided(study.Replay(0, 0, study.BOTH), job, record, SIZE)
    figures.write(tmp_path, *shown, found)
    assert (tmp_path / "trials.png").read_bytes().startswith(b"\x89PNG")
