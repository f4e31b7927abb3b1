"""The paired tests against scipy, against trying all signs, and against drawing many."""

import math

import numpy as np
import pytest
from scipy import stats

from bench.verify.paired import _saddlepoint as saddlepoint
from bench.verify.paired import (
    holm,
    loss_bounds,
    mcnemar,
    mean_bounds,
    quantile_ratio_bounds,
    rms_ratio_bounds,
    sign_flip,
)


@pytest.mark.parametrize(("lost", "gained"), [(0, 0), (3, 0), (0, 4), (11, 2), (40, 40)])
def test_mcnemar_is_the_exact_binomial_test(lost, gained):
    n = lost + gained
    expected = [
        stats.binomtest(k, n, 0.5, alternative="greater").pvalue if n else 1.0
        for k in (lost, gained)
    ]
    assert mcnemar(lost, gained) == pytest.approx(expected)


def test_few_differences_are_tried_with_all_signs():
    d = np.random.default_rng(1).standard_normal(9) + 0.5
    expected = [
        stats.permutation_test(
            (d,), np.sum, permutation_type="samples", alternative=side, n_resamples=np.inf
        ).pvalue
        for side in ("greater", "less")
    ]
    assert sign_flip(d) == pytest.approx(expected)


@pytest.mark.parametrize("heavy", [False, True])
def test_saddlepoint_agrees_with_all_signs_far_into_the_tail(heavy):
    rng = np.random.default_rng(2)
    d = np.abs(rng.standard_t(2, 18) if heavy else rng.standard_normal(18))
    d /= d.max()
    signs = 1.0 - 2.0 * ((np.arange(2**18)[:, None] >> np.arange(18)) & 1)
    sums = np.sort(signs @ d)
    for p in (0.3, 0.05, 1e-2, 1e-3, 1e-4):
        total = float(np.quantile(sums, 1.0 - p))
        exact = float(np.mean(sums >= total))
        # Lugannani and Rice's relative error is of order 1/n, 0.06 here, and sums of few
        # differences come in steps; a decision at 1e-5 is hardly moved by a quarter.
        assert saddlepoint(d, total) == pytest.approx(exact, rel=0.25)


def test_saddlepoint_agrees_with_drawn_signs_for_many_differences():
    rng = np.random.default_rng(3)
    d = np.abs(rng.standard_t(3, 250))
    d /= d.max()
    sums = (1.0 - 2.0 * rng.integers(0, 2, size=(20_000, 250))) @ d
    for p in (0.2, 0.02):
        total = float(np.quantile(sums, 1.0 - p))
        # four standard errors of the 20,000 draws
        assert abs(saddlepoint(d, total) - p) < 4.0 * math.sqrt(p * (1.0 - p) / 20_000)


def test_differences_all_of_one_sign_are_as_rare_as_their_pattern_or_rarer_than_any_level():
    assert sign_flip(np.ones(10))[0] == 2.0**-10
    above, below = sign_flip(np.full(300, 0.01))
    assert above < 1e-80
    assert below == 1.0
    assert sign_flip(np.zeros(50)) == (1.0, 1.0)
    assert sign_flip(np.linspace(0.99, 1.0, 400))[0] < 1e-80


def test_p_values_of_nothing_are_uniform():
    rng = np.random.default_rng(4)
    # differences of squared errors of equal size, heavy-tailed and lopsided in each case
    draws = rng.gamma(0.5, size=(2000, 2, 80)) ** 1.5
    p = np.array([sign_flip(new - old)[0] for old, new in draws])
    for level in (0.01, 0.05, 0.5):
        assert abs(np.mean(p <= level) - level) < 4.0 * math.sqrt(level * (1 - level) / 2000)


def test_holm_on_a_worked_example():
    # from memory, the textbook's: 0.01, 0.04, 0.03, 0.005 at 0.05. Sorted 0.005 <= 0.05/4 and
    # 0.01 <= 0.05/3 fall, 0.03 > 0.05/2 stands, and with it 0.04.
    assert holm([0.01, 0.04, 0.03, 0.005], [1.0] * 4, 0.05).tolist() == [True, False, False, True]


def test_holm_spends_its_error_by_weight():
    # alone, 0.02 passes 0.05 * 3/4 but not 0.05 * 1/4
    assert holm([0.02, 0.9], [3.0, 1.0], 0.05).tolist() == [True, False]
    assert holm([0.02, 0.9], [1.0, 3.0], 0.05).tolist() == [False, False]


def test_bounds_of_a_loss_cover_it():
    rng = np.random.default_rng(5)
    n, trials = 400, 3000
    for lost, gained in ((0.01, 0.01), (0.05, 0.01)):
        counts = rng.multinomial(n, [lost, gained, 1.0 - lost - gained], size=trials)
        covered = np.mean([loss_bounds(a, b, n, 0.95)[1] >= lost - gained for a, b, _ in counts])
        # 0.95, less four standard errors of the trials and half a per cent for the method's own
        assert covered > 0.945 - 4.0 * math.sqrt(0.05 * 0.95 / trials)


def test_bounds_of_a_ratio_of_rms_cover_it():
    rng = np.random.default_rng(6)
    n, trials, ratio = 250, 2000, 1.2
    covered = 0
    for _ in range(trials):
        old = rng.standard_normal(n)
        new = ratio * (0.8 * old + 0.6 * rng.standard_normal(n))
        covered += rms_ratio_bounds(old, new, np.ones(n), 0.95)[2] >= ratio
    # the delta method is first order: at n = 250 a per cent of coverage may be missing
    assert covered / trials > 0.94 - 4.0 * math.sqrt(0.05 * 0.95 / trials)


def test_bounds_of_a_mean_are_students():
    values = np.array([1.0, 2.0, 4.0])
    interval = stats.ttest_1samp(values, 0.0).confidence_interval(0.9)
    assert mean_bounds(values, 0.95) == pytest.approx((interval.low, interval.high))


def test_bounds_of_a_ratio_of_quantiles_hold_the_ratio():
    rng = np.random.default_rng(7)
    old = rng.standard_normal(400)
    low, high = quantile_ratio_bounds(old, 1.3 * old, 0.95, 0.95, rng)
    assert low == pytest.approx(1.3)
    assert high == pytest.approx(1.3)
    low, high = quantile_ratio_bounds(old, rng.standard_normal(400), 0.95, 0.95, rng)
    assert low < 1.0 < high
