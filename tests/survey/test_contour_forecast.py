import numpy as np
import polars as pl
import pytest

from bench.survey.contour import contour_of
from bench.survey.contour_forecast import _played, likely_pictures
from bench.survey.verdicts import Request
from bench.survey.worker import Worker


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
        played = _played(how, rates(how, rate), np.random.default_rng(1))
        assert played == 9 * how.looks[0]


def test_an_edge_between_rates_costs_the_cells_along_it(contour):
    _, how = contour
    missed = rates(how, 0.0)
    for rate in missed.values():
        rate[5:] = 1.0
    played = _played(how, missed, np.random.default_rng(1))
    assert 9 * how.looks[0] < played < how.plan.n_pictures / 4


def test_a_forecast_lies_between_the_least_and_the_most(contour):
    job, how = contour
    rows = pl.read_parquet(Worker(job).run(range(9)).part)
    found = likely_pictures(job, how, rows)
    assert 9 * how.looks[0] <= found <= how.plan.n_pictures
    assert found == likely_pictures(job, how, rows)
