"""JCGM 101:2008, clause 9, through the Monte Carlo engine; GUM examples H.1 and H.2 too.

Published results are from memory, with the table named; wherever a closed form exists it is
computed beside them, so that a slip of memory would show. Those of 9.5 (838 nm, 36 nm, [745, 932]
nm) also stand in a paper on digital calibration certificates that quotes the example; the data
of H.1 in the manual of the R package propagate. Tolerances: half a unit of the last
printed digit, plus `sure` standard errors of the Monte Carlo result itself (5, one in 10^6),
which follow from the number of trials.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from scipy import stats

from bench.budget.distributions import (
    Distribution,
    Inputs,
    JointNormal,
    Normal,
    Rectangular,
    Source,
)
from bench.budget.montecarlo import MonteCarlo, agreement, monte_carlo
from bench.budget.propagation import first_order
from bench.typing import Array

SURE = 5.0


@dataclass(frozen=True)
class Drawn:
    """A distribution that only the examples use."""

    mean: float
    sigma: float
    dof: float
    draws: Callable[[np.random.Generator, int], Array]

    def draw(self, rng: np.random.Generator, n: int) -> Array:
        return self.draws(rng, n)


def arcsine(low: float, high: float) -> Drawn:
    """6.4.6: of a quantity that swings sinusoidally between its limits."""
    d = stats.arcsine(low, high - low)
    return Drawn(d.mean(), d.std(), math.inf, lambda rng, n: d.rvs(n, random_state=rng))


def scaled_t(mean: float, scale: float, dof: float) -> Drawn:
    """6.4.9: of a mean of few observations; JCGM 100 takes the scale for its sigma."""
    return Drawn(mean, scale, dof, lambda rng, n: mean + scale * rng.standard_t(dof, n))


def curvilinear_trapezoid(low: float, high: float, d: float) -> Drawn:
    """6.4.3: rectangular with limits known to ± d only."""

    def draws(rng: np.random.Generator, n: int) -> Array:
        first = low + d * (2.0 * rng.random(n) - 1.0)
        return np.asarray(first + (low + high - 2.0 * first) * rng.random(n))

    sigma = math.sqrt((high - low) ** 2 / 12.0 + d**2 / 9.0)
    return Drawn(0.5 * (low + high), sigma, math.inf, draws)


def inputs_of(**distributions: Distribution) -> Inputs:
    return Inputs([Source(name, d) for name, d in distributions.items()])


def quantile_error(density: float, p: float, trials: int) -> float:
    """Standard error of a p-quantile where the density is so high (Kendall and Stuart, 10.29)."""
    return math.sqrt(p * (1.0 - p) / trials) / density


def normal_end_error(sigma: float, trials: int) -> float:
    return quantile_error(0.0584 / sigma, 0.025, trials)  # density of N(0, 1) at 1.96


def total(x: Array) -> Array:
    return x.sum(axis=1, keepdims=True)


def test_9_2_2_sum_of_four_normals() -> None:
    inputs = inputs_of(**{f"x{i}": Normal(0.0, 1.0) for i in range(4)})
    first = first_order(total, inputs)
    trials = monte_carlo(total, inputs, 1, "9.2.2", digits=2)
    # table 2: 0.00, 2.00, [-3.92, 3.92] by both methods
    assert first.sigma[0] == pytest.approx(2.0, rel=1e-9)
    assert first.expanded[0] == pytest.approx(3.92, abs=0.005)
    assert trials.sigma[0] == pytest.approx(2.0, abs=SURE * 2.0 / math.sqrt(2 * trials.trials))
    atol = 0.005 + SURE * normal_end_error(2.0, trials.trials)
    assert trials.low[0] == pytest.approx(-3.92, abs=atol)
    assert trials.high[0] == pytest.approx(3.92, abs=atol)
    assert trials.stable
    assert agreement(first, trials, digits=1).all()


def test_9_2_3_sum_of_four_rectangulars_is_narrower_than_normal() -> None:
    half = math.sqrt(3.0)
    inputs = inputs_of(**{f"x{i}": Rectangular(-half, half) for i in range(4)})
    first = first_order(total, inputs)
    trials = monte_carlo(total, inputs, 1, "9.2.3", digits=2, shrink=5.0, most_trials=2_000_000)
    # table 3, and its closed form (9.2.3.4): ±2√3 [2 - (3/5)^(1/4)] = 3.88
    end = 2.0 * math.sqrt(3.0) * (2.0 - 0.6**0.25)
    assert end == pytest.approx(3.88, abs=0.005)
    # density at the end of a sum of four rectangulars of half width √3: (4 - s)³/6 over 2 √3
    # with s = 2 + end/(2 √3) the sum on the unit scale
    s = 2.0 + end / (2.0 * half)
    error = quantile_error((4.0 - s) ** 3 / 6.0 / (2.0 * half), 0.025, trials.trials)
    assert trials.high[0] == pytest.approx(end, abs=SURE * error)
    assert trials.low[0] == pytest.approx(-end, abs=SURE * error)
    assert first.expanded[0] == pytest.approx(3.92, abs=0.005)
    # 9.2.3.5: the ends differ by 0.04; δ is 0.5 for one digit and 0.05 for two
    assert agreement(first, trials, digits=1).all()


def test_9_2_4_one_dominant_rectangular_is_far_from_normal() -> None:
    half = math.sqrt(3.0)
    widths = (1.0, 1.0, 1.0, 10.0)
    inputs = inputs_of(**{f"x{i}": Rectangular(-w * half, w * half) for i, w in enumerate(widths)})
    first = first_order(total, inputs)
    trials = monte_carlo(total, inputs, 1, "9.2.4", digits=2)
    # table 4: u = 10.1; [-19.9, 19.9] to first order, [-17.0, 17.0] by Monte Carlo
    assert first.sigma[0] == pytest.approx(10.1, abs=0.05)
    assert first.expanded[0] == pytest.approx(19.9, abs=0.05)
    # the density there lies between a half and all of the dominant one's 1 / (20 √3)
    error = quantile_error(0.5 / (20.0 * half), 0.025, trials.trials)
    assert trials.high[0] == pytest.approx(17.0, abs=0.05 + SURE * error)
    assert trials.low[0] == pytest.approx(-17.0, abs=0.05 + SURE * error)
    assert not agreement(first, trials, digits=2).any()


def shortest_interval(
    model: Callable[[Array], Array], inputs: Inputs, n: int
) -> tuple[float, float]:
    """Return the shortest 95 % interval of n draws of an output (7.7.2 and 5.3.4)."""
    ordered = np.sort(model(inputs.draw(np.random.default_rng(1), n))[:, 0])
    inside = round(0.95 * n)
    first = int(np.argmin(ordered[inside:] - ordered[: n - inside]))
    return float(ordered[first]), float(ordered[first + inside])


def mass(x: Array) -> Array:
    """9.3.1.3: difference of a weight from its nominal mass, by a balance in air, mg."""
    m_rc, dm_rc, air, weight, reference = x.T
    return ((m_rc + dm_rc) * (1.0 + (air - 1.2) * (1.0 / weight - 1.0 / reference)) - 1e5)[:, None]


def test_9_3_mass_calibration_needs_more_than_first_order() -> None:
    inputs = inputs_of(  # table 5
        m_rc=Normal(1e5, 0.050),
        dm_rc=Normal(1.234, 0.020),
        air=Rectangular(1.10, 1.30),
        weight=Rectangular(7e3, 9e3),
        reference=Rectangular(7950.0, 8050.0),
    )
    first = first_order(mass, inputs)
    trials = monte_carlo(mass, inputs, 1, "9.3", digits=2, most_trials=1_000_000)
    # table 6: 1.2340, 0.0539, [1.1285, 1.3395] to first order; 1.2341, 0.0754, [1.0834, 1.3825]
    assert first.estimate[0] == pytest.approx(1.2340, abs=5e-5)
    assert first.sigma[0] == pytest.approx(0.0539, abs=5e-5)
    assert first.estimate[0] - first.expanded[0] == pytest.approx(1.1285, abs=2e-4)
    # fourth moments of the result are below 3.5 σ⁴ (normal 3): √((κ - 1) / (4 n)) of σ
    error = 0.0754 * math.sqrt(2.5 / 4.0 / trials.trials)
    assert trials.sigma[0] == pytest.approx(0.0754, abs=5e-5 + SURE * error)
    end = SURE * normal_end_error(0.0754, trials.trials) + 5e-5
    low, high = shortest_interval(mass, inputs, trials.trials)
    assert low == pytest.approx(1.0834, abs=8.0 * end)
    assert high == pytest.approx(1.3825, abs=8.0 * end)
    # second order, independently: the product of air's and density's deviations has variance
    # (1e5)² u²(air) [u²(1/ρW) + u²(1/ρR)], 1/ρ rectangularly distributed ρ by its two moments
    inverse = [
        1.0 / (a * b) - (math.log(b / a) / (b - a)) ** 2 for a, b in ((7e3, 9e3), (7950.0, 8050.0))
    ]
    exact = math.sqrt(0.05**2 + 0.02**2 + 1e10 * (0.2**2 / 12.0) * sum(inverse))
    shift = 1e10 * (0.2**2 / 12.0) * (math.log(9 / 7) / 2e3 - math.log(8050 / 7950) / 100) ** 2
    assert trials.sigma[0] == pytest.approx(math.sqrt(exact**2 + shift), abs=SURE * error)
    assert not agreement(first, trials, digits=2).any()


def loss(x: Array) -> Array:
    return np.sum(x**2, axis=1, keepdims=True)


@pytest.mark.parametrize(
    ("x1", "r", "published_u", "published_high"),
    [  # tables 8 and 9, in 10⁻⁶: u, upper end of the shortest 95 % interval
        (0.0, 0.0, 50.0, 150.0),
        (0.010, 0.0, 112.0, 367.0),
        (0.050, 0.0, 502.0, 3543.0),
        (0.0, 0.9, 67.0, 185.0),
    ],
)
def test_9_4_comparison_loss(
    x1: float, r: float, published_u: float, published_high: float
) -> None:
    u = 0.005
    covariance = u * u * np.array([[1.0, r], [r, 1.0]])
    inputs = Inputs([Source("x", JointNormal(np.array([x1, 0.0]), covariance))])
    first = first_order(loss, inputs)
    trials = monte_carlo(loss, inputs, 1, f"9.4 {x1} {r}", digits=2, most_trials=500_000)
    # 9.4.2.1, closed forms: mean x1² + 2 u², variance 4 u² x1² + 4 u⁴ (1 + r²)
    mean, sigma = x1**2 + 2 * u**2, math.sqrt(4 * u**2 * x1**2 + 4 * u**4 * (1 + r**2))
    assert sigma == pytest.approx(published_u * 1e-6, abs=0.6e-6)
    assert first.sigma[0] == pytest.approx(2.0 * x1 * u, abs=1e-12)  # table 8: 0, 100, 500
    assert trials.estimate[0] == pytest.approx(mean, abs=SURE * sigma / math.sqrt(trials.trials))
    # kurtosis of a chi-square with one degree is 15, the worst of these
    error = sigma * math.sqrt(14.0 / 4.0 / trials.trials)
    assert trials.sigma[0] == pytest.approx(sigma, abs=SURE * error)
    # The shortest interval's ends scatter more than quantiles: near the minimum the width is
    # flat, so that they err as n^(-1/3); 2 % of σ allows for that at n of 10⁴ and above.
    atol = 1e-6 + 0.02 * SURE * sigma
    low, high = shortest_interval(loss, inputs, trials.trials)
    assert high == pytest.approx(published_high * 1e-6, abs=atol)
    if x1 == 0.0:  # the density is greatest at 0: the interval starts there
        assert low == pytest.approx(0.0, abs=0.02 * sigma)
        if r == 0.0:  # an exponential distribution
            assert -math.log(0.05) * 50.0 == pytest.approx(published_high, abs=0.5)


def gauge_block(x: Array) -> Array:
    """9.5.2.1: deviation of an end gauge from 50 mm, nm."""
    length, d, d1, d2, alpha, theta0, swing, d_alpha, d_theta = x.T
    return (length + d + d1 + d2 - length * (d_alpha * (theta0 + swing) + alpha * d_theta) - 50e6)[
        :, None
    ]


def gauge_inputs() -> Inputs:
    return inputs_of(  # table 10
        length=scaled_t(50_000_623.0, 25.0, 18.0),
        d=scaled_t(215.0, 6.0, 24.0),
        d1=scaled_t(0.0, 4.0, 5.0),
        d2=scaled_t(0.0, 7.0, 8.0),
        alpha=Rectangular(9.5e-6, 13.5e-6),
        theta0=Normal(-0.1, 0.2),
        swing=arcsine(-0.5, 0.5),
        d_alpha=curvilinear_trapezoid(-1e-6, 1e-6, d=0.1e-6),
        d_theta=curvilinear_trapezoid(-0.050, 0.050, d=0.025),
    )


def test_9_5_gauge_block() -> None:
    trials: MonteCarlo = monte_carlo(
        gauge_block, gauge_inputs(), 1, "9.5", confidence=0.99, digits=2, most_trials=1_000_000
    )
    # table 11: 838 nm, 36 nm, [745, 932] nm
    n = trials.trials
    assert trials.estimate[0] == pytest.approx(838.0, abs=0.5 + SURE * 36.0 / math.sqrt(n))
    assert trials.sigma[0] == pytest.approx(36.0, abs=0.5 + SURE * 36.0 / math.sqrt(2 * n))
    # density of N(0, 1) at its 99.5 % point is 0.0145
    end = 0.5 + SURE * quantile_error(0.0145 / 36.0, 0.005, n)
    assert trials.low[0] == pytest.approx(745.0, abs=end)
    assert trials.high[0] == pytest.approx(932.0, abs=end)


def test_h1_end_gauge_calibration() -> None:
    inputs = inputs_of(  # JCGM 100, table H.1
        length=Normal(50_000_623.0, 25.0, 18.0),
        d=Normal(215.0, 5.8, 24.0),
        d1=Normal(0.0, 3.9, 5.0),
        d2=Normal(0.0, 6.7, 8.0),
        alpha=Rectangular(9.5e-6, 13.5e-6),
        theta0=Normal(-0.1, 0.2),
        swing=arcsine(-0.5, 0.5),
        d_alpha=Rectangular(-1e-6, 1e-6, dof=50.0),
        d_theta=Rectangular(-0.05, 0.05, dof=2.0),
    )
    first = first_order(gauge_block, inputs, confidence=0.99)
    assert first.estimate[0] == pytest.approx(838.0, abs=0.5)
    assert first.sigma[0] == pytest.approx(32.0, abs=0.5)
    assert first.contributions["d_alpha"][0] == pytest.approx(2.9, abs=0.05)
    assert first.contributions["d_theta"][0] == pytest.approx(16.6, abs=0.05)
    # H.1.6: 16.7 degrees of freedom, truncated there to 16: k = 2.92, U = 93 nm. We interpolate,
    # which lowers k by 0.02; the example pools d's three parts with 25.6 degrees, which moves its
    # 16.7 by less than 1
    assert first.dof[0] == pytest.approx(16.7, abs=1.0)
    assert first.coverage_factor[0] == pytest.approx(2.92, abs=0.03)
    assert first.expanded[0] == pytest.approx(93.0, abs=1.5)


def test_h2_resistance_reactance_and_impedance_through_the_engine() -> None:
    v = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    i = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    readings = np.column_stack((v, i, phase))  # table H.2
    joint = JointNormal(readings.mean(0), np.cov(readings, rowvar=False) / 5.0, dof=4.0)

    def model(x: Array) -> Array:
        z = x[:, 0] / x[:, 1]
        return np.column_stack((z * np.cos(x[:, 2]), z * np.sin(x[:, 2]), z))

    first = first_order(model, Inputs([Source("readings", joint)]))
    trials = monte_carlo(model, Inputs([Source("readings", joint)]), 1, "H.2", digits=2)
    # table H.4
    assert first.estimate == pytest.approx([127.732, 219.847, 254.260], abs=5e-4)
    assert first.sigma == pytest.approx([0.071, 0.295, 0.236], abs=6e-4)
    scale = np.outer(first.sigma, first.sigma)
    r = (first.covariance / scale)[np.triu_indices(3, 1)]
    assert r == pytest.approx([-0.588, -0.485, 0.993], abs=1e-3)
    assert first.dof == pytest.approx(4.0)
    # nearly linear: Monte Carlo agrees; a correlation errs by (1 - r²)/√n, at most 1/√n
    n = trials.trials
    assert trials.sigma == pytest.approx(first.sigma, rel=SURE / math.sqrt(2 * n))
    outputs = model(Inputs([Source("readings", joint)]).draw(np.random.default_rng(1), n))
    found = np.corrcoef(outputs, rowvar=False)[np.triu_indices(3, 1)]
    assert found == pytest.approx([-0.588, -0.485, 0.993], abs=1e-3 + SURE / math.sqrt(n))
