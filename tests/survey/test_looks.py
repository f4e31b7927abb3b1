"""Repeated looks at a rate, and how often they and a single one err."""

import itertools

import numpy as np
import pytest
from scipy import stats
from scipy.special import ndtri, stdtrit

from bench.survey.looks import chance_held, plan_looks
from bench.survey.plan import DIMENSIONS
from bench.survey.sequence import cell_shift, recurrence_steps
from bench.survey.statistics import misses_allowed
from bench.survey.verdicts import HOLDS, Request, judge_rate

LEVEL = CONFIDENCE = 0.95
LOOKS = plan_looks((50, 100, 200, 400), LEVEL, CONFIDENCE)
SINGLE = 124  # pictures of one look, with two misses


def test_the_chance_to_err_is_that_of_every_path_a_small_case_can_take():
    # all 2^9 outcomes of nine pictures at the level, looked at after 3, 6 and 9
    level, looks = 0.5, plan_looks((3, 6, 9), 0.5, 0.8)
    held = failed = 0.0
    for path in itertools.product((0, 1), repeat=9):
        misses = np.cumsum(path)[[2, 5, 8]]
        for miss, look in zip(misses, looks.looks, strict=True):
            if miss <= look.hold or miss >= look.fail:
                held += (miss <= look.hold) * level**9
                failed += (miss >= look.fail) * level**9
                break
    assert 0.1 < held <= 0.2
    assert 0.1 < failed <= 0.2
    # to hold first and to fail first exclude each other, so that either is at most its walk alone
    assert held <= chance_held(looks, level) <= 0.2


def test_a_look_too_early_to_hold_spends_nothing():
    # 0.95^50 = 0.077 > 0.05: even without a miss
    assert LOOKS.looks[0].hold == -1
    later = plan_looks((100, 200, 400), LEVEL, CONFIDENCE)
    assert [look.hold for look in LOOKS.looks[1:]] == [look.hold for look in later.looks]


def test_one_look_is_the_exact_test():
    for n in (59, 93, 100, 400):
        (look,) = plan_looks((n,), LEVEL, CONFIDENCE).looks
        assert look.hold == misses_allowed(n, LEVEL, CONFIDENCE)
        # fails with so many that a rate at the level has them in 5 % of surveys or fewer
        chance = stats.binom.sf([look.fail - 2, look.fail - 1], n, 1.0 - LEVEL)
        assert chance[0] > 0.05 >= chance[1]


def test_looks_together_err_less_than_they_may_and_more_than_strangers_would():
    # sums of the looks' own chances, as if they were strangers, spend the error sooner
    err = chance_held(LOOKS, LEVEL)
    pairs = zip(LOOKS.pictures, LOOKS.looks, strict=True)
    own = sum(stats.binom.cdf(look.hold, n, 0.05) for n, look in pairs)
    assert 0.03 < err <= 0.05 < own


# Sizes of rotation errors: functions of uniform numbers (…, 6), which stand for the survey's own
# variables. Mixtures take their component by the second.
def _normal(u):
    return np.abs(ndtri(u[..., 0]))


def _student(degrees):
    return lambda u: np.abs(stdtrit(degrees, u[..., 0]))


def _mixed(share, factor):
    return lambda u: np.where(u[..., 1] < share, factor, 1.0) * np.abs(ndtri(u[..., 0]))


def _phase(u):
    # an error of the place within a pixel, as plates along the pixel rows have it, and noise
    place = np.sin(2.0 * np.pi * u[..., 0]) + np.sin(2.0 * np.pi * u[..., 1])
    return np.abs(place + 0.1 * ndtri(u[..., 5]))


ERRORS = {
    "Gaussian": _normal,
    "t3": _student(3),
    "t5": _student(5),
    "1 % at 10 times": _mixed(0.01, 10.0),
    "3 % at 8 times": _mixed(0.03, 8.0),
    "pixel phase": _phase,
}
SURVEYS, BLOCK, SEED = 4000, 500, 20261130


def _independent(surveys, n):
    return np.random.default_rng([SEED, *surveys]).random((len(surveys), n, DIMENSIONS))


def _own_sequence(surveys, n):
    shifts = np.array([cell_shift(SEED, f"cell {survey}", DIMENSIONS) for survey in surveys])
    return (shifts[:, None] + np.arange(n)[:, None] * recurrence_steps(DIMENSIONS)) % 1.0


def chances_of(error, draw):
    """Return how often of `SURVEYS` one look, and several, declare the very edge to hold."""
    # the edge: a tolerance that 95 % of errors keep, from a million of them
    edge = np.quantile(error(np.random.default_rng(SEED).random((1_000_000, DIMENSIONS))), LEVEL)
    request = Request(float(edge), LEVEL, CONFIDENCE)
    # the verdict depends on the count alone
    single = [judge_rate(k, SINGLE, request).verdict == HOLDS for k in range(SINGLE + 1)]
    held = np.array([look.hold for look in LOOKS.looks])
    counts = np.zeros(2, dtype=int)
    for start in range(0, SURVEYS, BLOCK):
        sizes = error(draw(range(start, start + BLOCK), LOOKS.pictures[-1]))
        within = np.cumsum(sizes <= edge, axis=1)
        misses = np.array(LOOKS.pictures) - within[:, np.array(LOOKS.pictures) - 1]
        counts += (
            np.take(single, within[:, SINGLE - 1]).sum(),
            (misses <= held).any(axis=1).sum(),
        )
    return counts / SURVEYS


# P(holds) <= 5 %: of 4000 surveys at just 5 % more than 6.25 % hold with a chance of 0.0003, so
# that of the 24 rates below one is above by chance in 0.7 % of seeds; the seed is fixed
MOST = stats.binom.isf(0.0003, SURVEYS, 1.0 - CONFIDENCE) / SURVEYS


@pytest.mark.slow
@pytest.mark.parametrize("draw", [_independent, _own_sequence])
@pytest.mark.parametrize("error", ERRORS.values(), ids=ERRORS)
def test_at_the_edge_a_cell_is_declared_to_hold_as_rarely_as_promised(error, draw):
    assert 0.0622 < MOST < 0.0625
    assert (chances_of(error, draw) <= MOST).all()
