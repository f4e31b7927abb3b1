"""The uncertainty engine: distributions, first order, adaptive trials."""

import math

import numpy as np
import pytest

from bench.budget.distributions import (
    Distribution,
    Inputs,
    JointNormal,
    Normal,
    Rectangular,
    Source,
)
from bench.budget.montecarlo import monte_carlo
from bench.budget.propagation import first_order, numerical_tolerance, sensitivities
from bench.errors import ConfigError
from bench.typing import Array

N = 200_000


@pytest.mark.parametrize(
    "distribution",
    [Normal(1.0, 0.3), Rectangular(0.0, 2.0)],
)
def test_draws_have_the_moments_that_first_order_takes(distribution: Distribution) -> None:
    drawn = distribution.draw(np.random.default_rng(3), N)
    # five standard errors of a mean; of a standard deviation at most those of a normal
    assert drawn.mean() == pytest.approx(1.0, abs=5.0 * distribution.sigma / math.sqrt(N))
    assert drawn.std() == pytest.approx(distribution.sigma, rel=5.0 / math.sqrt(2 * N))


def test_draws_of_joint_normals_have_their_covariance_even_when_singular() -> None:
    root = np.array([[1.0, 0.0], [2.0, 0.0], [1e-4, 1e-4]])
    joint = JointNormal(np.zeros(3), root @ root.T)
    drawn = joint.draw(np.random.default_rng(3), N)
    scale = np.sqrt(np.diag(joint.covariance))
    # a sample covariance errs by at most √(2/n) of σ_i σ_j
    difference = (np.cov(drawn, rowvar=False) - joint.covariance) / np.outer(scale, scale)
    assert np.max(np.abs(difference)) < 5.0 * math.sqrt(2.0 / N)


def test_sensitivities_match_the_derivative() -> None:
    def model(x: Array) -> Array:
        return np.column_stack((np.sin(x[:, 0]) * x[:, 1], np.exp(x[:, 0])))

    inputs = Inputs([Source("a", Normal(0.3, 0.1)), Source("b", Normal(2.0, 0.5))])
    expected = [[2.0 * math.cos(0.3), math.sin(0.3)], [math.exp(0.3), 0.0]]
    # h⁴/30 f⁗' with h = 0.01: 1e-9
    assert sensitivities(model, inputs) == pytest.approx(np.array(expected), abs=1e-8)


def test_contributions_of_independent_sources_add_up_in_quadrature() -> None:
    covariance = np.array([[4.0, 1.0], [1.0, 9.0]])
    inputs = Inputs(
        [
            Source("pose", JointNormal(np.zeros(2), covariance)),
            Source("level", Normal(0.0, 2.0)),
            Source("level", Rectangular(-1.0, 1.0)),
        ]
    )
    first = first_order(lambda x: x.sum(axis=1, keepdims=True), inputs)
    parts = np.array(list(first.contributions.values()))
    assert first.sigma**2 == pytest.approx(np.sum(parts**2, axis=0), rel=1e-9)
    assert first.contributions["pose"][0] ** 2 == pytest.approx(15.0)
    assert first.contributions["level"][0] ** 2 == pytest.approx(4.0 + 1.0 / 3.0)


def test_effective_degrees_of_freedom_as_in_the_gum() -> None:
    # JCGM 100, G.4.1, note's example: y = b x1 x2 x3, relative uncertainties 0.25, 0.57 and
    # 0.82 %, n = 10, 5, 15: ν_eff = 19 (19.0), k = 2.09 for 95 % (from memory)
    inputs = Inputs(
        [
            Source("x1", Normal(1.0, 0.0025, 9.0)),
            Source("x2", Normal(1.0, 0.0057, 4.0)),
            Source("x3", Normal(1.0, 0.0082, 14.0)),
        ]
    )
    first = first_order(lambda x: np.prod(x, axis=1, keepdims=True), inputs)
    assert first.sigma[0] == pytest.approx(0.0103, abs=5e-5)
    assert first.dof[0] == pytest.approx(19.0, abs=0.5)
    assert first.coverage_factor[0] == pytest.approx(2.09, abs=0.01)


@pytest.mark.parametrize(
    ("value", "digits", "delta"),
    [
        # JCGM 101, 7.9.2, examples 1 to 3: 0.000 35 g as 35 x 10^-5; 0.0003 as 3 x 10^-4; 2 K
        (0.00035, 2, 0.5e-5),
        (0.00035, 1, 0.5e-4),
        (2.0, 1, 0.5),
        (0.0996, 2, 0.5e-2),  # rounds up to 10 x 10^-2
    ],
)
def test_numerical_tolerance(value: float, digits: int, delta: float) -> None:
    assert numerical_tolerance(value, digits) == pytest.approx(delta)


def test_trials_depend_on_seed_and_key_alone_and_stop_at_their_limit() -> None:
    inputs = Inputs([Source("x", Normal(0.0, 1.0))])

    def run(seed: int, key: str) -> float:
        done = monte_carlo(lambda x: x, inputs, seed, key, digits=3, most_trials=40_000)
        assert not done.stable
        assert done.trials == 40_000
        return float(done.estimate[0])

    assert run(1, "a") == run(1, "a")
    assert len({run(1, "a"), run(1, "b"), run(2, "a")}) == 3


def test_what_is_no_distribution_is_refused() -> None:
    with pytest.raises(ConfigError, match="wrong order"):
        Rectangular(1.0, 0.0)
    with pytest.raises(ConfigError, match="sigma must be positive"):
        Normal(0.0, -1.0)
    with pytest.raises(ConfigError, match="negative eigenvalue"):
        JointNormal(np.zeros(2), np.array([[1.0, 2.0], [2.0, 1.0]]))
    with pytest.raises(ConfigError, match="symmetric"):
        JointNormal(np.zeros(2), np.array([[1.0, 0.5], [0.2, 1.0]]))
