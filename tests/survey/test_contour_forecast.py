import numpy as np
import pytest

from bench.survey.contour import contour_of
from bench.survey.contour_forecast import _picture_s, _played, likely_effort
from bench.survey.pace import measure_pace
from bench.survey.verdicts import Request


@pytest.fixture
def contour(make_job):
    job = make_job(ranges_m=(1.0, 2.0, 4.0), turns_deg=(0.0, 30.0, 60.0), trials=80)
    return job, contour_of(job.plan, Request(0.5, success=0.8), 2, 3)


def rates(contour, rate):
    plan = contour.plan
    shape = (len(plan.ranges_m), len(plan.turns_deg), len(plan.pitches_deg))
    return {name: np.full(shape, rate) for name in plan.pipelines}


def test_where_all_is_clear_the_given_grid_is_looked_at_once(contour):
    _, how = contour
    for rate in (0.0, 1.0):
        played, cells = _played(how, rates(how, rate), np.random.default_rng(1))
        assert played == {how.plan.pipelines: 9 * how.looks[0]}
        assert cells == 9


def test_an_edge_between_rates_costs_the_cells_along_it(contour):
    _, how = contour
    missed = rates(how, 0.0)
    for rate in missed.values():
        rate[5:] = 1.0
    played, _ = _played(how, missed, np.random.default_rng(1))
    assert 9 * how.looks[0] < played.total() < how.plan.n_pictures / 4


def test_a_forecast_lies_between_the_least_and_the_most(contour):
    job, how = contour
    pace = measure_pace(job)
    found = likely_effort(job, how, pace)
    assert 9 * how.looks[0] <= found.pictures <= how.plan.n_pictures
    assert found.seconds <= found.pictures * pace.picture_s
    assert found == likely_effort(job, how, pace)


def test_a_decided_pipeline_is_not_run_where_another_is_open(contour):
    _, how = contour
    first, *others = how.plan.pipelines
    missed = rates(how, 0.0)
    missed[first] += 0.2  # at the level asked for
    played, _ = _played(how, missed, np.random.default_rng(1))
    assert set(played) == {how.plan.pipelines, (first,)} if others else {(first,)}


def test_a_picture_without_a_pipeline_takes_less(contour):
    job, how = contour
    pace = measure_pace(job)
    whole = _picture_s(pace, how.plan.pipelines)
    assert whole == pytest.approx(pace.picture_s)
    for name in how.plan.pipelines if len(how.plan.pipelines) > 1 else ():
        assert 0.0 < _picture_s(pace, (name,)) < whole
