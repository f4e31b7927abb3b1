"""Times that stand a busy machine, and what is said of them: medians, spread."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from time import perf_counter
from typing import Any

import numpy as np

Timed = Callable[[], Any]
CONFIDENCE = 0.95
DRAWS = 2000  # of a bootstrap: an interval's ends then move by some 2 % of its width


def interleaved(functions: Mapping[str, Timed], rounds: int) -> dict[str, list[float]]:
    """Time functions in turn, round by round, so that what slows the machine slows them all.

    Parameters
    ----------
    functions : mapping of str to callable
        What to time; each is called once before, to compile and to warm caches.
    rounds : int
        How often.

    Returns
    -------
    dict of str to list of float
        Seconds.
    """
    for function in functions.values():
        function()
    found: dict[str, list[float]] = {name: [] for name in functions}
    for _ in range(rounds):
        for name, function in functions.items():
            start = perf_counter()
            function()
            found[name].append(perf_counter() - start)
    return found


def spread(values: Sequence[float]) -> dict[str, float]:
    """Return n, median and quartiles of some values."""
    low, middle, high = np.quantile(values, (0.25, 0.5, 0.75))
    return {"n": len(values), "median": float(middle), "q25": float(low), "q75": float(high)}


def ratio(slow: Sequence[float], fast: Sequence[float]) -> dict[str, float]:
    """Return the spread of the ratios of two functions' times, round by round."""
    return spread([a / b for a, b in zip(slow, fast, strict=True)])


def spread_ms(seconds: Sequence[float]) -> dict[str, float]:
    """Return the spread of some times, milliseconds."""
    return spread([1e3 * s for s in seconds])


def mean_interval(values: Sequence[float], seed: int = 1) -> dict[str, float]:
    """Return n, mean and its 95 % interval by the bootstrap of percentiles."""
    sample = np.asarray(values, dtype=np.float64)
    rng = np.random.default_rng(seed)
    means = rng.choice(sample, (DRAWS, len(sample))).mean(axis=1)
    low, high = np.quantile(means, (0.5 - 0.5 * CONFIDENCE, 0.5 + 0.5 * CONFIDENCE))
    return {
        "n": len(sample),
        "mean": float(sample.mean()),
        "low": float(low),
        "high": float(high),
    }
