"""Distributions of a measurement's inputs: each its own, or a joint one.

Distributions, their moments and how they are drawn from are those of JCGM 101:2008, 6.4; the
clause stands with each. `sigma` and `dof` are what the law of propagation takes (JCGM 100);
a draw is what the Monte Carlo method takes (JCGM 101).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from bench.errors import ConfigError
from bench.typing import Array


class Distribution(Protocol):
    """One input quantity."""

    @property
    def mean(self) -> float:
        """Best estimate."""
        ...

    @property
    def sigma(self) -> float:
        """Standard uncertainty."""
        ...

    @property
    def dof(self) -> float:
        """Degrees of freedom of the standard uncertainty; infinite where it is known."""
        ...

    def draw(self, rng: np.random.Generator, n: int) -> Array:
        """Return n draws (n,)."""
        ...


@dataclass(frozen=True)
class Normal:
    """Gaussian (6.4.7)."""

    mean: float
    sigma: float
    dof: float = math.inf

    def __post_init__(self) -> None:
        if not self.sigma >= 0.0:
            raise ConfigError(
                f"a normal distribution's sigma must be positive, got {self.sigma:g}"
            )

    def draw(self, rng: np.random.Generator, n: int) -> Array:
        """Return n draws (n,)."""
        return self.mean + self.sigma * rng.standard_normal(n)


@dataclass(frozen=True)
class Rectangular:
    """Equally likely between two limits (6.4.2)."""

    low: float
    high: float
    dof: float = math.inf

    def __post_init__(self) -> None:
        if not self.high >= self.low:
            raise ConfigError(f"limits {self.low:g} and {self.high:g} are in the wrong order")

    @property
    def mean(self) -> float:
        """Middle of the limits."""
        return 0.5 * (self.low + self.high)

    @property
    def sigma(self) -> float:
        """(b - a) / √12."""
        return (self.high - self.low) / math.sqrt(12.0)

    def draw(self, rng: np.random.Generator, n: int) -> Array:
        """Return n draws (n,)."""
        return self.low + (self.high - self.low) * rng.random(n)


@dataclass(frozen=True, eq=False)
class JointNormal:
    """Quantities that are normal together (6.4.8).

    Attributes
    ----------
    mean : (K,) float64
        Best estimates.
    covariance : (K, K) float64
        May be singular.
    dof : float
        Of all its uncertainties.
    """

    mean: Array
    covariance: Array
    dof: float = math.inf

    def __post_init__(self) -> None:
        k = len(self.mean)
        if self.covariance.shape != (k, k) or not np.all(np.isfinite(self.covariance)):
            raise ConfigError(f"a covariance of {k} quantities is a finite {k} x {k} matrix")
        # of what two quantities could have in common at most, so that rounding passes
        most = np.sqrt(np.abs(np.outer(np.diag(self.covariance), np.diag(self.covariance))))
        if np.any(np.abs(self.covariance - self.covariance.T) > 1e-9 * most):
            raise ConfigError("a covariance must be symmetric")
        self.root  # noqa: B018  # refuses what isn't a covariance now, not at the first draw

    @property
    def root(self) -> Array:
        """A matrix (K, K) whose product with its transpose is the covariance."""
        # scaled to correlations: radians and metres differ by orders of magnitude
        scale = np.sqrt(np.diag(self.covariance))
        unit = np.where(scale > 0.0, scale, 1.0)
        values, vectors = np.linalg.eigh(self.covariance / np.outer(unit, unit))
        # a correlation matrix that is right up to rounding has no eigenvalue below this
        if len(values) and values[0] < -1e-9 * len(values):
            raise ConfigError("a covariance must not have a negative eigenvalue")
        root: Array = unit[:, None] * vectors * np.sqrt(np.maximum(values, 0.0))
        return root

    def draw(self, rng: np.random.Generator, n: int) -> Array:
        """Return n draws (n, K)."""
        drawn: Array = self.mean + rng.standard_normal((n, len(self.mean))) @ self.root.T
        return drawn


@dataclass(frozen=True)
class Source:
    """A named cause of uncertainty: one quantity, or several that belong together."""

    name: str
    distribution: Distribution | JointNormal

    @property
    def size(self) -> int:
        """Number of quantities."""
        d = self.distribution
        return len(d.mean) if isinstance(d, JointNormal) else 1


class Inputs:
    """All inputs of a model, as columns in the order given. Sources are independent.

    Several sources may have one name: they count as one contribution.
    """

    def __init__(self, sources: Sequence[Source]) -> None:
        self.sources = tuple(sources)
        if not self.sources:
            raise ConfigError("a model needs at least one input")
        self.size = sum(source.size for source in self.sources)

    @property
    def mean(self) -> Array:
        """Best estimates (P,)."""
        return np.concatenate([np.atleast_1d(s.distribution.mean) for s in self.sources])

    @property
    def columns(self) -> list[slice]:
        """Which columns each source has."""
        ends = np.cumsum([source.size for source in self.sources])
        return [slice(int(e) - s.size, int(e)) for e, s in zip(ends, self.sources, strict=True)]

    @property
    def covariance(self) -> Array:
        """Covariance (P, P), a block a source."""
        covariance = np.zeros((self.size, self.size))
        for source, columns in zip(self.sources, self.columns, strict=True):
            d = source.distribution
            joint = isinstance(d, JointNormal)
            covariance[columns, columns] = d.covariance if joint else d.sigma**2  # type: ignore[union-attr]
        return covariance

    def draw(self, rng: np.random.Generator, n: int) -> Array:
        """Return n draws (n, P)."""
        return np.column_stack([source.distribution.draw(rng, n) for source in self.sources])
