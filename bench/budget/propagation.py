"""First-order uncertainty, in the language of the GUM (JCGM 100:2008).

A model is a function of draws ``x`` (n, P) that returns outputs (n, Q), row by row: the same
function serves the law of propagation here and the Monte Carlo method.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy

from bench.budget.distributions import Inputs
from bench.solve.covariance import propagate
from bench.typing import Array

Model = Callable[[Array], Array]
# Of a standard uncertainty. The five-point difference errs by h⁴/30 of the fifth derivative,
# 3e-6 in units of the input's own uncertainty; rounding adds 1e-15 of the value over the step.
STEP_SIGMAS = 0.1


@dataclass(frozen=True, eq=False)
class FirstOrder:
    """What the law of propagation gives (JCGM 100, clauses 5 and 6).

    Attributes
    ----------
    estimate : (Q,) float64
        Outputs at the inputs' best estimates.
    jacobian : (Q, P) float64
        Sensitivity coefficients.
    covariance : (Q, Q) float64
        Of the outputs.
    contributions : dict of str to (Q,) float64
        Standard uncertainty that each source's name alone gives; their squares add up.
    dof : (Q,) float64
        Effective degrees of freedom (Welch-Satterthwaite, G.4.1).
    confidence : float
        Of the expanded uncertainty.
    """

    estimate: Array
    jacobian: Array
    covariance: Array
    contributions: dict[str, Array]
    dof: Array
    confidence: float

    @property
    def sigma(self) -> Array:
        """Combined standard uncertainties (Q,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def coverage_factor(self) -> Array:
        """Coverage factors k (Q,): Student's t, interpolated between whole degrees (G.4.1)."""
        dof = np.where(np.isfinite(self.dof), np.maximum(self.dof, 1.0), 1e12)
        return np.asarray(scipy.stats.t.ppf(0.5 * (1.0 + self.confidence), dof))

    @property
    def expanded(self) -> Array:
        """Expanded uncertainties U = k u (Q,)."""
        return np.asarray(self.coverage_factor * self.sigma)


def first_order(model: Model, inputs: Inputs, confidence: float = 0.95) -> FirstOrder:
    """Propagate uncertainties to first order.

    Parameters
    ----------
    model : callable
        (n, P) draws to (n, Q) outputs.
    inputs : Inputs
        What is known of the P inputs.
    confidence : float
        Of the expanded uncertainty.

    Notes
    -----
    u²(y) = J Σ Jᵀ (5.1.2 and 5.2.2); ν_eff = u⁴ / Σ (u_i⁴ / ν_i) over the independent sources
    (G.4.1, G.2b), each correlated block counted as one.
    """
    mean = inputs.mean
    estimate = model(mean[None, :])[0]
    jacobian = sensitivities(model, inputs)
    contributions: dict[str, Array] = {}
    share = np.zeros(len(estimate))
    for source, columns in zip(inputs.sources, inputs.columns, strict=True):
        part = jacobian[:, columns]
        covariance = inputs.covariance[columns, columns]
        variance = np.einsum("qi,ij,qj->q", part, covariance, part)
        before = contributions.get(source.name, np.zeros(len(estimate)))
        contributions[source.name] = np.sqrt(before**2 + variance)
        share += variance**2 / source.distribution.dof
    covariance = propagate(jacobian, inputs.covariance)
    total = np.diag(covariance)
    with np.errstate(divide="ignore", invalid="ignore"):
        dof = np.where(share > 0.0, total**2 / share, math.inf)
    return FirstOrder(estimate, jacobian, covariance, contributions, dof, confidence)


def sensitivities(model: Model, inputs: Inputs) -> Array:
    """Return d(outputs)/d(inputs), (Q, P), by five-point central differences.

    Inputs without uncertainty get 0: they don't contribute.
    """
    mean = inputs.mean
    sigma = np.sqrt(np.diag(inputs.covariance))
    moving = np.flatnonzero(sigma > 0.0)
    step = STEP_SIGMAS * sigma[moving]
    outputs = {}
    for multiple in (-2.0, -1.0, 1.0, 2.0):
        x = np.tile(mean, (len(moving), 1))
        x[np.arange(len(moving)), moving] += multiple * step
        outputs[multiple] = model(x)
    near, far = outputs[1.0] - outputs[-1.0], outputs[2.0] - outputs[-2.0]
    jacobian = np.zeros((near.shape[1], len(mean)))
    jacobian[:, moving] = ((8.0 * near - far) / (12.0 * step[:, None])).T
    return jacobian


def numerical_tolerance(value: float, digits: int) -> float:
    """Return δ = ½ 10^l of a value c 10^l whose c has `digits` digits (JCGM 101, 7.9.2)."""
    if not value > 0.0 or not math.isfinite(value):
        return 0.0
    exponent = int(f"{value:.{digits - 1}e}".partition("e")[2]) - (digits - 1)
    return 0.5 * 10.0**exponent
