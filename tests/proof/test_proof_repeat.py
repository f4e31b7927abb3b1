"""Repeatability and reproducibility: plan and analysis of variance."""

import math

import numpy as np
import pytest

from bench.errors import ConfigError
from bench.proof.intervals import difference_interval, sum_interval
from bench.proof.repeat import Design, arrange, evaluate

# The worked example of AIAG, Measurement Systems Analysis (4th edition 2010, chapter III, section
# B, table III-B 6a): 10 parts, 3 appraisers, 3 trials. Data from memory; that the sums of squares
# come out as published shows that no datum is wrong. Results of tables III-B 7 and 8 are those
# that open-source programs state as published, and test themselves against.
AIAG = np.array(
    [
        [
            [0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36],
            [0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25],
            [0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31],
        ],
        [
            [0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68],
            [0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62],
            [0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50],
        ],
        [
            [0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49],
            [-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77],
            [-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16],
        ],
    ]
).transpose(2, 0, 1)
DESIGN = Design(tuple(f"part {i}" for i in range(1, 11)), ("A", "B", "C"), 3)


def test_published_example_of_aiag() -> None:
    study = evaluate(DESIGN, AIAG)
    # table III-B 7: mean squares, half a unit of the last digit
    assert study.mean_squares["operator"] == pytest.approx(1.58363, abs=1e-5)
    assert study.mean_squares["wheel"] == pytest.approx(9.81799, abs=1e-5)
    assert study.mean_squares["wheel by operator"] == pytest.approx(0.01994, abs=1e-5)
    assert study.mean_squares["repeatability"] == pytest.approx(0.04598, abs=1e-5)
    # the interaction isn't significant and is pooled; table III-B 8: standard deviations
    assert study.pooled
    assert study.component("repeatability").sigma == pytest.approx(0.199933, abs=1e-6)
    assert study.component("reproducibility").sigma == pytest.approx(0.226838, abs=1e-6)
    # published to six digits, the last of which isn't that of the two above
    assert study.component("gauge").sigma == pytest.approx(0.302373, abs=2e-6)
    assert study.component("wheel").sigma == pytest.approx(1.042327, abs=1e-6)


def test_without_pooling_the_same_data_have_a_negative_interaction_said_by_name() -> None:
    study = evaluate(DESIGN, AIAG, pool_above=1.0)
    crossed = study.component("wheel by operator")
    assert crossed.variance == pytest.approx((0.01994 - 0.04598) / 3, abs=1e-5)
    assert crossed.sigma == 0.0
    assert crossed.words.startswith("wheel by operator: negative estimate (-0.00868), taken as 0")


def simulate(
    rng: np.random.Generator, sizes: tuple[int, int, int], sigmas: list[float]
) -> np.ndarray:
    p, o, _ = sizes
    wheel, operator, crossed, repeat = sigmas
    return np.asarray(
        wheel * rng.normal(size=(p, 1, 1))
        + operator * rng.normal(size=(1, o, 1))
        + crossed * rng.normal(size=(p, o, 1))
        + repeat * rng.normal(size=sizes)
    )


def test_intervals_of_components_cover_as_they_promise() -> None:
    rng = np.random.default_rng(2)
    design = Design(tuple("abcdefgh"), ("A", "B", "C"), 3)
    sigmas = [3.0, 0.8, 0.5, 1.0]
    truth = {
        "repeatability": 1.0,
        "operator": 0.64,
        "reproducibility": 0.64 + 0.25,
        "gauge": 1.89,
        "wheel": 9.0,
    }
    n = 1000
    inside = dict.fromkeys(truth, 0)
    for _ in range(n):
        study = evaluate(design, simulate(rng, design.sizes, sigmas), pool_above=1.0)
        for name, value in truth.items():
            found = study.component(name)  # type: ignore[arg-type]
            inside[name] += found.low <= value <= found.high
    for name, count in inside.items():
        # a rate of 0.95 in 1000 errs by 0.007; four of these, and the method's own 0.01, below;
        # above, approximate intervals may be wide, but must not be empty promises
        assert 0.95 - 0.01 - 4 * 0.007 <= count / n <= 0.99, name


def test_one_term_alone_has_the_exact_interval_in_all_forms() -> None:
    exact = (4.0 * 10 / 20.483, 4.0 * 10 / 3.247)  # χ² table, 10 degrees, 97.5 and 2.5 %
    assert sum_interval([(4.0, 10)], 0.95) == pytest.approx(exact, rel=1e-3)
    assert difference_interval(4.0, 10, 0.0, 5, 0.95) == pytest.approx(exact, rel=1e-3)


def test_power_to_show_that_operators_differ_is_what_simulations_show() -> None:
    rng = np.random.default_rng(3)
    design = Design(tuple("abcdef"), ("A", "B", "C"), 3)
    ratio = design.detectable_ratio(power=0.8)
    assert design.operator_power(ratio) == pytest.approx(0.8)
    n = 600
    shown = sum(
        evaluate(
            design, simulate(rng, design.sizes, [2.0, ratio, 0.0, 1.0]), pool_above=1.0
        ).p_operator
        < 0.05
        for _ in range(n)
    )
    # a rate of 0.8 in 600 errs by 0.016
    assert shown / n == pytest.approx(0.8, abs=4 * 0.016)


def test_the_order_is_random_seeded_and_holds_every_pair_in_every_round() -> None:
    design = Design(("front left", "rear left"), ("A", "B"), 3)
    order = design.order(1)
    assert order == design.order(1)
    assert order != design.order(2)
    for repeat in (1, 2, 3):
        assert {row[:2] for row in order if row[2] == repeat} == {
            (w, o) for w in design.wheels for o in design.operators
        }


def test_a_table_with_a_missing_or_extra_reading_is_refused() -> None:
    rows = [(w, o, 1.0) for w in ("front left", "rear left") for o in ("A", "B") for _ in range(3)]
    design, readings = arrange(rows, "table.csv")
    assert readings.shape == design.sizes == (2, 2, 3)
    with pytest.raises(ConfigError, match=r"table\.csv: rear left by B has 2 readings, others 3"):
        arrange(rows[:-1], "table.csv")
    with pytest.raises(ConfigError, match="2 operators or more, got 1"):
        arrange([row for row in rows if row[1] == "A"], "table.csv")


def test_readings_without_any_scatter_are_no_division_by_zero() -> None:
    design = Design(("a", "b"), ("A", "B"), 2)
    study = evaluate(design, np.ones((2, 2, 2)))
    assert all(math.isfinite(c.variance) for c in study.components)
