"""Deviations that may come at once: the allowances' common fraction, by Monte Carlo."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from bench.digest import key_digest
from bench.setting_out.deviations import Allowances
from bench.setting_out.slack import Knob, Limits, inputs_of
from bench.survey.statistics import wilson_bounds
from bench.typing import Array, BoolArray

TRIALS = 400
HALVINGS = 10  # of the fraction: to a thousandth
BATCH = 200  # draws judged at once


@dataclass(frozen=True)
class Joint:
    """What may be off at once.

    Attributes
    ----------
    fraction : float
        Of each single allowance (its smaller side), 0 to 1: the largest for which the rate of
        layouts that hold is above `rate` with the stated confidence. 0 where there is none.
    rate, confidence : float
        See there; the confidence is one-sided.
    holding, trials : int
        Draws that hold at the fraction, of all.
    seed : int
        Of the draws.
    worst : str
        The limit that breaks most often just beyond the fraction.
    """

    fraction: float
    rate: float
    confidence: float
    holding: int
    trials: int
    seed: int
    worst: str

    @property
    def words(self) -> str:
        """In a sentence."""
        return (
            f"everything off at once, uniformly within {self.fraction:.2f} of its single "
            "allowance: "
            f"{self.holding} of {self.trials} layouts hold, above {100 * self.rate:g} % with "
            f"{100 * self.confidence:g} % confidence (Wilson, one-sided; seed {self.seed})"
        )


def joint(
    limits: Limits,
    single: Allowances,
    *,
    rate: float = 0.95,
    confidence: float = 0.95,
    trials: int = TRIALS,
    seed: int | None = None,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> Joint:
    """Return the largest common fraction of single allowances that may be used at once.

    Every draw is a direction in which everything goes off, scaled by the fraction: the same
    draws serve every fraction. For each the fraction is found at which its first limit breaks;
    their order statistics give the answer, as Wilks's tolerance bounds do, with Wilson's bound
    for the rate.

    Parameters
    ----------
    limits : Limits
        Of the bay as planned.
    single : Allowances
        From them.
    rate, confidence : float
        What is asked.
    trials : int
        Draws; 52 without a failure show 0.95 with 95 % confidence.
    seed : int, optional
        The bay's by default.
    """
    seed = limits.bay.survey.seed if seed is None else seed
    key = key_digest("deviations together, uniform")
    rng = np.random.default_rng(np.random.SeedSequence([seed, key]))
    knobs = inputs_of(limits.bay)
    sizes = np.array([single.of(k.where, k.name).least for k in knobs])
    drawn = rng.uniform(-1.0, 1.0, (trials, len(knobs)))
    plan = limits.slack([{}])
    kept = plan.values[0] >= 0.0
    names = [n for n, keep in zip(plan.names, kept, strict=True) if keep]

    def judge(scaled: Array) -> Array:
        offs: list[Mapping[Knob, float]] = [
            dict(zip(knobs, map(float, row), strict=True)) for row in scaled
        ]
        return limits.slack(offs).values[:, kept]

    low, high = np.zeros(trials), np.ones(trials)
    done, total = 0, trials * (HALVINGS + 1)
    broke: list[str] = [""] * trials
    for start in range(0, trials, BATCH):
        part = slice(start, min(start + BATCH, trials))
        steps = drawn[part] * sizes
        whole = _holds(judge(steps))
        low[part][whole] = 1.0
        for _ in range(HALVINGS):
            middle = 0.5 * (low[part] + high[part])
            found = judge(middle[:, None] * steps)
            held = _holds(found)
            low[part] = np.where(held, middle, low[part])
            high[part] = np.where(held, high[part], middle)
            done += len(steps)
            progress(done, total)
        for i, row in enumerate(judge((high[part] + 1e-3)[:, None] * steps)):
            broke[start + i] = names[int(np.argmin(row))][0]
    return _conclude(low, broke, rate, confidence, seed)


def _holds(found: Array) -> BoolArray:
    held: BoolArray = np.all(found >= 0.0, axis=1)
    return held


def _conclude(
    critical: Array, broke: list[str], rate: float, confidence: float, seed: int
) -> Joint:
    """Find the fraction from where each draw breaks."""
    n = len(critical)
    needed = next((k for k in range(n + 1) if wilson_bounds(k, n, confidence)[0] >= rate), None)
    order = np.argsort(critical)
    if needed is None or needed == 0:
        return Joint(0.0, rate, confidence, n, n, seed, "")
    fraction = float(critical[order[n - needed]])
    holding = int(np.sum(critical >= fraction))
    first = [broke[i] for i in order[: max(n - needed + 1, 1)] if critical[i] < 1.0]
    worst = max(set(first), key=first.count) if first else ""
    return Joint(fraction, rate, confidence, holding, n, seed, worst)
