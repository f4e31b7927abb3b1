"""Repeatability and reproducibility: a study planned, and evaluated as crossed random effects.

Every operator measures every wheel several times; between readings the clamp is taken off and
put on again and the vehicle is rolled. The model is that of a two-way crossed design with random
effects (Montgomery, Design and Analysis of Experiments, section 13.3; Burdick, Borror and
Montgomery 2003, doi:10.1080/00224065.2003.11980232)::

    reading = mean + wheel + operator + wheel·operator + repetition
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy

from bench.defaults import POOL_ABOVE
from bench.digest import key_digest
from bench.errors import ConfigError
from bench.proof.intervals import difference_interval, single_interval, sum_interval
from bench.typing import Array

Component = Literal[
    "repeatability", "operator", "wheel by operator", "reproducibility", "gauge", "wheel"
]


@dataclass(frozen=True)
class Design:
    """A crossed design: all pairs of wheel and operator, so many readings each.

    Raises
    ------
    ConfigError
        Fewer than two of anything.
    """

    wheels: tuple[str, ...]
    operators: tuple[str, ...]
    repeats: int

    def __post_init__(self) -> None:
        for name, n in (
            ("wheels", len(self.wheels)),
            ("operators", len(self.operators)),
            ("repeats", self.repeats),
        ):
            if n < 2:
                raise ConfigError(f"repeat: a study needs 2 {name} or more, got {n}")
        for name, values in (("wheel", self.wheels), ("operator", self.operators)):
            if len(set(values)) != len(values):
                raise ConfigError(f"repeat: a {name} is named twice in {', '.join(values)}")

    @property
    def sizes(self) -> tuple[int, int, int]:
        """Wheels, operators, repeats."""
        return len(self.wheels), len(self.operators), self.repeats

    @property
    def degrees(self) -> dict[str, int]:
        """Degrees of freedom of each mean square."""
        p, o, n = self.sizes
        return {
            "wheel": p - 1,
            "operator": o - 1,
            "wheel by operator": (p - 1) * (o - 1),
            "repeatability": p * o * (n - 1),
        }

    def order(self, seed: int) -> tuple[tuple[str, str, int], ...]:
        """Return (wheel, operator, repeat) in the random order in which to measure.

        Repeats are rounds: each holds every pair once, in an order of its own, so that a drift
        during the day doesn't hide in one operator.
        """
        rng = np.random.default_rng(np.random.SeedSequence([seed, key_digest("repeat study")]))
        pairs = [(wheel, operator) for wheel in self.wheels for operator in self.operators]
        found = []
        for repeat in range(1, self.repeats + 1):
            found += [(*pairs[i], repeat) for i in rng.permutation(len(pairs))]
        return tuple(found)

    def operator_power(self, ratio: float, alpha: float = 0.05) -> float:
        """Return the probability that operators are shown to differ.

        Parameters
        ----------
        ratio : float
            Operators' standard deviation over that of a repetition, without interaction.
        alpha : float
            Of a false alarm.

        Notes
        -----
        MS_operator / (σ² + p n σ_o²) and MS_interaction / σ² are independent chi-squares over
        their degrees of freedom, so that the F ratio is a central F times 1 + p n ratio².
        """
        p, _, n = self.sizes
        d1, d2 = self.degrees["operator"], self.degrees["wheel by operator"]
        limit = scipy.stats.f.isf(alpha, d1, d2)
        return float(scipy.stats.f.sf(limit / (1.0 + p * n * ratio**2), d1, d2))

    def detectable_ratio(self, power: float = 0.8, alpha: float = 0.05) -> float:
        """Return the ratio that `operator_power` shows with a probability of `power`."""
        p, _, n = self.sizes
        d1, d2 = self.degrees["operator"], self.degrees["wheel by operator"]
        stretch = scipy.stats.f.isf(alpha, d1, d2) / scipy.stats.f.isf(power, d1, d2)
        return math.sqrt(max(float(stretch) - 1.0, 0.0) / (p * n))

    def repeatability_interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Return the expected interval of a repeatability of 1: what the plan pins it down to."""
        low, high = single_interval(1.0, self.degrees["repeatability"], confidence)
        return math.sqrt(low), math.sqrt(high)


@dataclass(frozen=True)
class VarianceComponent:
    """A component of variance, with its interval; in the square of the readings' unit.

    Attributes
    ----------
    name : str
        See `Component`.
    variance : float
        Estimate; may be negative, where it says that the component is too small to be seen.
    low, high : float
        Interval, cut off at 0.
    """

    name: Component
    variance: float
    low: float
    high: float

    @property
    def sigma(self) -> float:
        """Standard deviation; 0 where the variance came out negative."""
        return math.sqrt(max(self.variance, 0.0))

    @property
    def words(self) -> str:
        """Say it in a line."""
        interval = f"{math.sqrt(self.low):.4g} to {math.sqrt(self.high):.4g}"
        if self.variance < 0.0:
            return (
                f"{self.name}: negative estimate ({self.variance:.3g}), taken as 0; too small to "
                f"be seen, at most {math.sqrt(self.high):.4g}"
            )
        return f"{self.name}: {self.sigma:.4g} ({interval})"


@dataclass(frozen=True)
class Study:
    """An evaluated study of one quantity.

    Attributes
    ----------
    design : Design
        As it was measured.
    mean_squares : dict of str to float
        By source.
    p_operator, p_interaction : float
        Of the F tests that there is none.
    pooled : bool
        Whether the interaction was taken for repetition.
    components : tuple of VarianceComponent
        Of all `Component`.
    confidence : float
        Of the intervals.
    """

    design: Design
    mean_squares: dict[str, float]
    p_operator: float
    p_interaction: float
    pooled: bool
    components: tuple[VarianceComponent, ...]
    confidence: float

    def component(self, name: Component) -> VarianceComponent:
        """Return a component by its name."""
        return next(c for c in self.components if c.name == name)


def evaluate(
    design: Design, readings: Array, confidence: float = 0.95, pool_above: float = POOL_ABOVE
) -> Study:
    """Return the analysis of variance of a complete crossed study.

    Parameters
    ----------
    design : Design
        What was measured.
    readings : (wheels, operators, repeats) float64
        In the design's order.
    confidence : float
        Of the intervals, two-sided.
    pool_above : float
        An interaction whose p-value exceeds this is pooled with repetition; 1 never pools.
    """
    p, o, n = design.sizes
    mean = readings.mean()
    by_wheel = readings.mean(axis=(1, 2)) - mean
    by_operator = readings.mean(axis=(0, 2)) - mean
    cells = readings.mean(axis=2)
    crossed = cells - mean - by_wheel[:, None] - by_operator[None, :]
    d = dict(design.degrees)
    squares = {
        "wheel": o * n * float(by_wheel @ by_wheel),
        "operator": p * n * float(by_operator @ by_operator),
        "wheel by operator": n * float(np.sum(crossed**2)),
        "repeatability": float(np.sum((readings - cells[:, :, None]) ** 2)),
    }
    ms = {name: squares[name] / d[name] for name in squares}
    p_interaction = _f_test(ms, d, "wheel by operator", "repeatability")
    pooled = p_interaction > pool_above
    if pooled:
        freedom = d["wheel by operator"] + d["repeatability"]
        both = (squares["wheel by operator"] + squares["repeatability"]) / freedom
        ms["pooled repeatability"], d["pooled repeatability"] = both, freedom
    against = "pooled repeatability" if pooled else "wheel by operator"
    return Study(
        design,
        ms,
        _f_test(ms, d, "operator", against),
        p_interaction,
        pooled,
        _components(design, ms, d, pooled, confidence),
        confidence,
    )


def _f_test(ms: dict[str, float], d: dict[str, int], top: str, bottom: str) -> float:
    if ms[bottom] == 0.0:
        return 1.0 if ms[top] == 0.0 else 0.0
    return float(scipy.stats.f.sf(ms[top] / ms[bottom], d[top], d[bottom]))


def _components(
    design: Design, ms: dict[str, float], d: dict[str, int], pooled: bool, confidence: float
) -> tuple[VarianceComponent, ...]:
    p, o, n = design.sizes
    repeat = "pooled repeatability" if pooled else "repeatability"
    cross = repeat if pooled else "wheel by operator"

    def single(name: Component, of: str) -> VarianceComponent:
        low, high = single_interval(ms[of], d[of], confidence)
        return VarianceComponent(name, ms[of], low, high)

    def difference(name: Component, top: str, bottom: str, per: int) -> VarianceComponent:
        low, high = difference_interval(ms[top], d[top], ms[bottom], d[bottom], confidence)
        return VarianceComponent(
            name, (ms[top] - ms[bottom]) / per, max(low, 0.0) / per, max(high, 0.0) / per
        )

    def total(name: Component, weights: dict[str, float]) -> VarianceComponent:
        """Return a sum of mean squares, weights ≥ 0 (Graybill and Wang 1980)."""
        terms = [(w * ms[of], d[of]) for of, w in weights.items() if w > 0.0]
        low, high = sum_interval(terms, confidence)
        return VarianceComponent(name, sum(value for value, _ in terms), max(low, 0.0), high)

    operator = difference("operator", "operator", cross, p * n)
    if pooled:
        crossed = VarianceComponent("wheel by operator", 0.0, 0.0, 0.0)
        reproducibility = VarianceComponent(
            "reproducibility", operator.variance, operator.low, operator.high
        )
        gauge = total("gauge", {"operator": 1.0 / (p * n), repeat: 1.0 - 1.0 / (p * n)})
    else:
        crossed = difference("wheel by operator", cross, repeat, n)
        # σ_o² + σ_po² = [MS_o + (p - 1) MS_po - p MS_e] / (p n); the interval by the same rule,
        # the first two terms taken together as one with Satterthwaite's degrees of freedom
        first = (ms["operator"] + (p - 1) * ms[cross]) / (p * n)
        freedom = first**2 / (
            (ms["operator"] / (p * n)) ** 2 / d["operator"]
            + ((p - 1) * ms[cross] / (p * n)) ** 2 / d[cross]
        )
        low, high = difference_interval(first, freedom, ms[repeat] / n, d[repeat], confidence)
        reproducibility = VarianceComponent(
            "reproducibility", first - ms[repeat] / n, max(low, 0.0), max(high, 0.0)
        )
        gauge = total(
            "gauge", {"operator": 1.0 / (p * n), cross: (p - 1) / (p * n), repeat: (n - 1) / n}
        )
    return (
        single("repeatability", repeat),
        operator,
        crossed,
        reproducibility,
        gauge,
        difference("wheel", "wheel", cross, o * n),
    )


def arrange(rows: Sequence[tuple[str, str, float]], source: str) -> tuple[Design, Array]:
    """Return the design and the readings (wheels, operators, repeats) of (wheel, operator, value).

    Raises
    ------
    ConfigError
        A pair of wheel and operator is missing, or has more or fewer readings than another.
    """
    wheels = tuple(dict.fromkeys(row[0] for row in rows))
    operators = tuple(dict.fromkeys(row[1] for row in rows))
    cells: dict[tuple[str, str], list[float]] = {}
    for wheel, operator, value in rows:
        cells.setdefault((wheel, operator), []).append(value)
    most = max(map(len, cells.values()))
    for wheel in wheels:
        for operator in operators:
            n = len(cells.get((wheel, operator), ()))
            if n != most:
                raise ConfigError(
                    f"{source}: {wheel} by {operator} has {n} readings, others {most}; a crossed "
                    "study needs the same of each"
                )
    try:
        design = Design(wheels, operators, most)
    except ConfigError as error:
        raise ConfigError(f"{source}: {error}") from error
    return design, np.array([[cells[w, o] for o in operators] for w in wheels])
