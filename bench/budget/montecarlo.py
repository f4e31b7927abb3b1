"""Propagation of distributions by an adaptive Monte Carlo method (JCGM 101:2008, 7.9).

Blocks of trials are added until estimate, standard uncertainty and both ends of the coverage
interval of every output are stable to the digits asked for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.budget.distributions import Inputs
from bench.budget.propagation import FirstOrder, Model, numerical_tolerance
from bench.digest import key_digest
from bench.typing import Array, BoolArray

LEAST_TRIALS = 10_000  # of a block (7.9.4 b)
MOST_TRIALS = 1_000_000
# 8.2: trials that validate must be stable to a fifth of the tolerance that they validate to.
VALIDATION = 5.0


@dataclass(frozen=True, eq=False)
class MonteCarlo:
    """What the Monte Carlo method gives.

    Attributes
    ----------
    estimate, sigma : (Q,) float64
        Mean and standard deviation of the outputs.
    low, high : (Q,) float64
        Probabilistically symmetric coverage interval.
    trials : int
        In all.
    stable : bool
        Whether all numbers are stable to the digits asked for; if not, the limit of trials
        ended it.
    tolerance : (Q,) float64
        δ that they were asked to be stable to.
    confidence : float
        Of the intervals.
    """

    estimate: Array
    sigma: Array
    low: Array
    high: Array
    trials: int
    stable: bool
    tolerance: Array
    confidence: float


def monte_carlo(
    model: Model,
    inputs: Inputs,
    seed: int,
    key: str,
    confidence: float = 0.95,
    digits: int = 2,
    shrink: float = 1.0,
    most_trials: int = MOST_TRIALS,
) -> MonteCarlo:
    """Propagate distributions by the adaptive procedure of JCGM 101, 7.9.4.

    Parameters
    ----------
    model : callable
        (n, P) draws to (n, Q) outputs.
    inputs : Inputs
        What is known of the P inputs.
    seed, key : int, str
        Random numbers depend on both and on nothing else.
    confidence : float
        Of the coverage intervals.
    digits : int
        Significant digits of the standard uncertainty that must be stable.
    shrink : float
        Divides the tolerance; `VALIDATION` to validate first-order results.
    most_trials : int
        At which to give up.
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, key_digest(key)]))
    size = max(math.ceil(100.0 / (1.0 - confidence)), LEAST_TRIALS)
    blocks: list[Array] = []
    found: list[Array] = []
    while True:
        block = model(inputs.draw(rng, size))
        blocks.append(block)
        found.append(
            np.stack((block.mean(0), block.std(0, ddof=1), *_symmetric(block, confidence)))
        )
        h = len(blocks)
        if h == 1:
            continue
        # the standard deviation of all trials, from the blocks' own
        means, sigmas = np.array([f[0] for f in found]), np.array([f[1] for f in found])
        sigma = np.sqrt(np.mean(sigmas**2, axis=0) + np.var(means, axis=0))
        tolerance = np.array([numerical_tolerance(float(s), digits) for s in sigma]) / shrink
        scatter = 2.0 * np.std(np.array(found), axis=0, ddof=1) / math.sqrt(h)
        # what doesn't vary at all is stable
        stable = bool(np.all((scatter <= tolerance) | (sigma == 0.0)))
        if stable or (h + 1) * size > most_trials:
            break
    outputs = np.concatenate(blocks)
    low, high = _symmetric(outputs, confidence)
    return MonteCarlo(
        outputs.mean(0),
        outputs.std(0, ddof=1),
        low,
        high,
        len(outputs),
        stable,
        tolerance,
        confidence,
    )


def agreement(first: FirstOrder, trials: MonteCarlo, digits: int = 2) -> BoolArray:
    """Return whether first order's y ± U is Monte Carlo's interval to `digits` of u (Q,) (8.1)."""
    tolerance = np.array([numerical_tolerance(float(u), digits) for u in trials.sigma])
    low, high = first.estimate - first.expanded, first.estimate + first.expanded
    near = [np.abs(a - b) <= tolerance for a, b in ((low, trials.low), (high, trials.high))]
    return np.asarray(near[0] & near[1])


def _symmetric(outputs: Array, confidence: float) -> tuple[Array, Array]:
    """Return the probabilistically symmetric coverage interval (7.7.2), ends (Q,) each."""
    tail = 0.5 * (1.0 - confidence)
    low, high = np.quantile(outputs, [tail, 1.0 - tail], axis=0)
    return low, high
