"""Decision rules, by the worked examples of JCGM 106:2012.

Clauses, inputs and results of the examples are from memory; each result is also what the stated
inputs give by hand. `tests` of integrals go by brute force.
"""

import math

import numpy as np
import pytest

from bench.conformity import (
    decide,
    decide_uncertainty,
    percent,
    probability_of_conformity,
    rule_words,
)


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "published"),
    [
        # 7.3.2, upper limit: a Zener diode's breakdown voltage, -5.47 V, at most -5.4 V
        pytest.param(-5.47, 0.05, -math.inf, -5.40, 0.92, id="7.3.2 Zener diode"),
        # 7.3.3, lower limit: a container's burst pressure, 507.7 kPa, at least 490 kPa
        pytest.param(507.7, 8.6, 490.0, math.inf, 0.98, id="7.3.3 burst pressure"),
        # 7.4, both: viscosity of an oil, 13.6 mm²/s, from 12.5 to 16.3
        pytest.param(13.6, 1.8, 12.5, 16.3, 0.66, id="7.4 viscosity"),
    ],
)
def test_the_probability_of_conformity_is_that_of_the_guides_examples(
    value, u, low, high, published
):
    # two digits are published
    assert abs(probability_of_conformity(value, u, low, high) - published) <= 0.005


def test_the_guides_speed_limit_needs_its_guard_band():
    # 8.3.3.3 (from memory): 100 km/h, a radar of 2 % of the speed, tickets at 99.9 %: from 107 on
    def above(speed):
        return probability_of_conformity(speed, 0.02 * speed, 100.0, math.inf)

    assert above(106.0) < 0.999 < above(107.0)


def test_the_probability_agrees_with_counting_draws():
    draws = np.random.default_rng(1).normal(0.03, 0.02, 400_000)
    counted = np.mean(np.abs(draws) <= 0.05)
    # binomial: 5 standard deviations of 400,000 draws are 0.003 at most
    assert abs(probability_of_conformity(0.03, 0.02, -0.05, 0.05) - counted) < 0.004


def test_both_risks_are_what_is_left_of_each_other():
    # 9.3: specific consumer's risk of accepting the Zener diode 8 %, producer's of rejecting 92 %
    found = decide(-5.47, 0.05, -math.inf, -5.40, "simple")
    assert found.state == "inside"
    assert abs(found.consumers_risk - 0.08) <= 0.005
    assert abs(found.producers_risk - 0.92) <= 0.005


@pytest.mark.parametrize(
    ("value", "simple", "guard", "probability"),
    [
        # limit 1, u 0.1: a guard band reaches 0.2 to either side of it, 95 % 0.164
        (0.79, "inside", "inside", "inside"),
        (0.82, "inside", "undecided", "inside"),
        (0.90, "inside", "undecided", "undecided"),
        (1.10, "outside", "undecided", "undecided"),
        (1.18, "outside", "undecided", "outside"),
        (1.21, "outside", "outside", "outside"),
    ],
)
def test_rules_differ_near_a_limit(value, simple, guard, probability):
    rules = {"simple": simple, "guard": guard, "probability": probability}
    found = {rule: decide(value, 0.1, -1.0, 1.0, rule).state for rule in rules}
    assert found == rules


def test_a_number_on_its_limit_is_inside_despite_rounding():
    assert decide(0.1 + 0.2, 0.0, 0.0, 0.3).state == "inside"


def test_without_uncertainty_every_rule_says_the_same():
    for rule in ("simple", "guard", "probability"):
        assert decide(0.9, 0.0, -1.0, 1.0, rule).state == "inside"
        assert decide(1.1, 0.0, -1.0, 1.0, rule).state == "outside"


def test_an_expanded_uncertainty_is_the_guard_band_of_an_error_of_0():
    for expanded in (0.0, 0.049, 0.05, 0.051, math.inf, math.nan):
        alone = decide_uncertainty(expanded, 0.05, rule="guard").state
        assert alone == ("inside" if expanded <= 0.05 else "outside")
        assert decide_uncertainty(expanded, 0.05, rule="simple").state == alone
    # k = 2 holds 95.45 %, so that 95 % reach 2 / 1.96 of the tolerance
    assert decide_uncertainty(0.0510, 0.05, rule="probability").state == "inside"
    assert decide_uncertainty(0.0511, 0.05, rule="probability").state == "outside"


def test_every_rule_is_named_with_its_standard():
    assert "ISO 14253-1" in rule_words("guard")
    assert "JCGM 106" in rule_words("probability", 0.99)
    assert "99 %" in rule_words("probability", 0.99)
    assert "simple acceptance" in rule_words("simple")


@pytest.mark.parametrize(
    ("p", "words"),
    [
        (0.0, "0 %"),
        (1e-9, "under 0.01 %"),
        (0.005, "0.5 %"),
        (0.5, "50 %"),
        (0.9542, "95.4 %"),
        (1.0 - 1e-9, "over 99.99 %"),
        (1.0, "100 %"),
    ],
)
def test_what_is_rare_is_never_0_per_cent(p, words):
    assert percent(p) == words
