import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from bench.survey.statistics import (
    MIN_BOOTSTRAP,
    chance_shown,
    exact_bounds,
    misses_allowed,
    quantile_bounds,
    rms_bounds,
    rms_interval,
    trials_for_misses,
    trials_to_decide_rate,
    wilson_bounds,
    wilson_interval,
)


def test_wilson_interval_matches_published_example():
    # Newcombe 1998, "Two-sided confidence intervals for the single proportion", Statistics in
    # Medicine 17, table I, method 3 (score): 81 of 263 gives 0.2553 to 0.3662, 15 of 148 gives
    # 0.0624 to 0.1605, 0 of 20 gives 0.0000 to 0.1611 (from memory; the formula agrees)
    for k, n, low, high in (
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
    ):
        assert_allclose(wilson_interval(k, n, 0.95), (low, high), atol=5e-5)


def test_wilson_one_sided_bound_is_an_end_of_the_wider_interval():
    # 95 % on each side is what a two-sided 90 % interval leaves at either end
    assert wilson_bounds(280, 300, 0.95) == wilson_interval(280, 300, 0.9)


def test_exact_bounds_are_the_published_ones():
    # Newcombe 1998, "Two-sided confidence intervals for the single proportion", Statistics in
    # Medicine 17, table I, method 5 (Clopper-Pearson): 81 of 263 gives 0.2527 to 0.3676, 15 of
    # 148 gives 0.0578 to 0.1617, 0 of 20 gives 0 to 0.1684 (from memory; scipy's own agrees)
    for k, n, low, high in (
        (81, 263, 0.2527, 0.3676),
        (15, 148, 0.0578, 0.1617),
        (0, 20, 0.0, 0.1684),
    ):
        assert_allclose(exact_bounds(k, n, 0.975), (low, high), atol=5e-5)
        own = stats.binomtest(k, n).proportion_ci(0.95, method="exact")
        assert_allclose(exact_bounds(k, n, 0.975), (own.low, own.high), rtol=1e-9)


def test_95_percent_at_95_percent_takes_59_93_124_153_pictures():
    # Wilks 1941, "Determination of sample sizes for setting tolerance limits", Annals of
    # Mathematical Statistics 12, 91; the numbers are those of first to fourth order one-sided
    # 95 %/95 % tolerance limits in 10 CFR 50 practice, from memory
    assert [trials_for_misses(m, 0.95, 0.95) for m in range(4)] == [59, 93, 124, 153]
    assert 0.95**59 < 0.05 < 0.95**58


@pytest.mark.parametrize("n", [1, 58, 59, 92, 93, 100, 124, 400])
@pytest.mark.parametrize("level", [0.9, 0.95, 0.99])
def test_misses_allowed_are_those_at_which_the_bound_shows_the_level(n, level):
    allowed = misses_allowed(n, level, 0.95)
    assert allowed < 0 or exact_bounds(n - allowed, n, 0.95)[0] >= level
    if allowed + 1 <= n:
        assert exact_bounds(n - allowed - 1, n, 0.95)[0] < level


def test_the_chance_to_show_a_rate_is_that_of_so_few_misses():
    assert chance_shown(59, 0.95, 0.95, 0.99) == pytest.approx(0.99**59)
    assert chance_shown(93, 0.95, 0.95, 0.98) == pytest.approx(0.98**93 + 93 * 0.02 * 0.98**92)
    # at the level itself the exact test errs at most as often as it may
    assert all(chance_shown(n, 0.95, 0.95, 0.95) <= 0.05 for n in range(1, 500))


@pytest.mark.parametrize(("k", "n"), [(299, 300), (96, 100), (92, 100), (30, 30)])
def test_trials_to_decide_a_rate_are_the_first_that_do(k, n):
    needed = trials_to_decide_rate(k, n, 0.95, 0.95)
    decided = []
    for trials in (needed - 1, needed):
        low, high = exact_bounds(k / n * trials, trials, 0.95)
        decided.append(low >= 0.95 or high < 0.95)
    assert decided == [False, True]


def test_no_number_of_trials_decides_a_rate_that_is_the_level():
    assert trials_to_decide_rate(95, 100, 0.95, 0.95) is None
    assert trials_to_decide_rate(953, 1000, 0.95, 0.95, most=10_000) is None


@pytest.mark.parametrize(
    ("n", "repeats", "allowance"),
    [
        # what statistics.py promises for Gaussian errors; 8,000 repeats gave 0.958 and 0.935
        # at n = 30, 6,000 gave 0.948 and 0.948 at n = 300
        pytest.param(300, 700, 0.01, marks=pytest.mark.slow),
        (MIN_BOOTSTRAP, 1500, 0.02),
    ],
)
def test_rms_bounds_cover_at_their_stated_rate(n, repeats, allowance):
    rng = np.random.default_rng(20)
    covered = np.zeros(2)
    for repeat in range(repeats):
        low, high = rms_bounds(rng.normal(0.0, 0.05, n), 0.95, f"repeat {repeat}")
        covered += (low <= 0.05, high >= 0.05)
    # counting error of `repeats` draws: 3.3 standard deviations, one false alarm in a thousand
    tolerance = allowance + 3.3 * math.sqrt(0.95 * 0.05 / repeats)
    assert_allclose(covered / repeats, 0.95, atol=tolerance)


def test_rms_interval_holds_one_sided_bounds_of_half_the_error():
    errors = np.random.default_rng(1).normal(size=200)
    assert rms_interval(errors, 0.95, "a") == rms_bounds(errors, 0.975, "a")


def test_rms_bounds_depend_on_errors_and_identity_alone():
    errors = np.random.default_rng(2).normal(size=300)
    assert rms_bounds(errors, 0.95, "cell") == rms_bounds(errors.copy(), 0.95, "cell")
    assert rms_bounds(errors, 0.95, "cell") != rms_bounds(errors, 0.95, "other cell")


def test_rms_bounds_scale_with_the_unit():
    errors = np.random.default_rng(3).normal(size=100)
    assert_allclose(
        rms_bounds(1e3 * errors, 0.95, "c"), 1e3 * np.array(rms_bounds(errors, 0.95, "c"))
    )


def test_rms_bounds_are_not_given_for_few_errors():
    assert np.isnan(rms_bounds(np.ones(MIN_BOOTSTRAP - 1), 0.95, "c")).all()


def test_rms_bounds_of_equal_errors_are_their_size():
    assert rms_bounds(np.full(40, -2.0), 0.95, "c") == (2.0, 2.0)


def test_rms_upper_bound_says_nothing_where_one_error_makes_the_rms():
    # a resample misses a lone outlier with probability 0.36 > 0.05 and then has no spread
    errors = np.zeros(40)
    errors[7] = 1.0
    low, high = rms_bounds(errors, 0.95, "c")
    assert high == math.inf
    assert 0.0 <= low <= math.sqrt(1 / 40)


def test_rms_bounds_in_batches_equal_those_in_one(monkeypatch):
    errors = np.random.default_rng(4).normal(size=100)
    whole = rms_bounds(errors, 0.95, "c")
    monkeypatch.setattr("bench.survey.statistics.BATCH", 1000)
    assert rms_bounds(errors, 0.95, "c") == whole


def test_upper_bound_on_the_95th_percentile_needs_59_values():
    # Wilks 1941, Annals of Mathematical Statistics 12: 0.95^59 = 0.0485 is the first below 0.05
    values = np.arange(59.0)
    assert quantile_bounds(values, 0.95, 0.95)[1] == 58.0
    assert math.isnan(quantile_bounds(values[:58], 0.95, 0.95)[1])


@pytest.mark.slow
def test_quantile_bounds_cover_at_least_at_their_stated_rate():
    rng = np.random.default_rng(5)
    repeats, n, truth = 800, 300, -math.log(0.05)  # the 95th percentile of exp(1)
    covered = np.zeros(2)
    for _ in range(repeats):
        low, high = quantile_bounds(rng.exponential(size=n), 0.95, 0.95)
        covered += (low <= truth, high >= truth)
    # at least 0.95; the ranks' steps may add P(one rank) = binomial pmf at its mode, under 0.11
    counting = 3.3 * math.sqrt(0.95 * 0.05 / repeats)
    assert (covered / repeats > 0.95 - counting).all()
    assert (covered / repeats < 0.95 + 0.05).all()


def test_no_values_have_no_bounds():
    assert np.isnan(quantile_bounds(np.empty(0), 0.95, 0.95)).all()
