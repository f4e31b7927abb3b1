"""Repeated looks at a rate whose errors are exact for all of them together.

A cell is looked at after n1 < n2 < … pictures until it is decided. At each look it *holds* with
so few misses, or *fails* with so many, that a rate of just the level is declared to hold at any
look with a chance of at most the error, and to fail likewise. The chances are those of the
binomial walk itself, look by look (Jennison and Turnbull 2000, "Group Sequential Methods with
Applications to Clinical Trials", chapter 12: exact designs for binary data), not a sum of looks
taken as strangers, which wastes what they share. The error is spent evenly over the looks that
can decide; one where even no miss at all would overdraw it spends nothing and leaves it to those
after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from bench.typing import Array


@dataclass(frozen=True)
class Look:
    """What decides at one look.

    Attributes
    ----------
    hold : int
        Most misses with which the cell holds; -1 where none are few enough.
    fail : int
        Fewest misses with which it fails; more than there are pictures where none are enough.
    """

    hold: int
    fail: int

    def words(self, verdict: str) -> str:
        """Say what was asked of the misses."""
        most = "none would be few enough" if self.hold < 0 else f"{self.hold} allowed here"
        return f"{self.fail} decide against it" if verdict == "fails" else most


@dataclass(frozen=True)
class Looks:
    """All looks at a cell.

    Attributes
    ----------
    pictures : tuple of int
        At each look, ascending.
    looks : tuple of Look
        What decides there.
    """

    pictures: tuple[int, ...]
    looks: tuple[Look, ...]

    def at(self, n: int) -> Look | None:
        """Return the look after n pictures; None where there is none."""
        return dict(zip(self.pictures, self.looks, strict=True)).get(n)


@lru_cache(maxsize=64)
def plan_looks(pictures: tuple[int, ...], level: float, confidence: float) -> Looks:
    """Return what decides at each look.

    Parameters
    ----------
    pictures : tuple of int
        At each look, ascending.
    level : float
        Rate of successes that is asked for.
    confidence : float
        One minus the chance, at a rate of just `level`, that any look declares it to hold, and
        of the chance that any declares it to fail.
    """
    error = 1.0 - confidence
    hold = _boundary(pictures, 1.0 - level, error)
    # to fail is for successes what to hold is for misses
    few = _boundary(pictures, level, error)
    looks = (
        Look(h, n - f if f >= 0 else n + 1) for n, h, f in zip(pictures, hold, few, strict=True)
    )
    return Looks(pictures, tuple(looks))


def chance_held(looks: Looks, truth: float) -> float:
    """Return the chance that a true rate of successes is shown by any of the looks."""
    return sum(_stops(looks.pictures, 1.0 - truth, [look.hold for look in looks.looks]))


def _stops(pictures: Sequence[int], rate: float, most: Sequence[int]) -> list[float]:
    """Return the chance of stopping at each look: with at most so many events, for the first time.

    `rate` is that of an event a picture.
    """
    found, walk, before = [], np.ones(1), 0
    for n, bound in zip(pictures, most, strict=True):
        walk = _step(walk, n - before, rate)
        found.append(float(walk[: bound + 1].sum()))
        walk[: bound + 1] = 0.0
        before = n
    return found


def _step(walk: Array, more: int, rate: float) -> Array:
    """Return the chances of 0, 1, … events after `more` pictures."""
    from scipy import stats
    from scipy.signal import convolve

    added: Array = stats.binom.pmf(np.arange(more + 1), more, rate)
    # a convolution by Fourier leaves noise of either sign where chances vanish
    walked: Array = np.maximum(convolve(walk, added), 0.0)
    return walked


def _boundary(pictures: Sequence[int], rate: float, error: float) -> list[int]:
    """Return the most events a look may see to stop, so that all stops together keep to `error`.

    `rate` is that of an event a picture where the error counts; -1 where a look can't stop.
    """
    able = [(1.0 - rate) ** n <= error for n in pictures]
    bounds: list[int] = []
    walk, before, spent = np.ones(1), 0, 0.0
    for i, n in enumerate(pictures):
        walk = _step(walk, n - before, rate)
        allowed = error * sum(able[: i + 1]) / max(sum(able), 1)
        chances = spent + np.cumsum(walk)
        # the relative 1e-9 is rounding of the walk's sums
        bound = int(np.searchsorted(chances, allowed * (1.0 - 1e-9), side="right")) - 1
        # zero chances of what has stopped already aren't a reason to go further
        bound = min(bound, n)
        if bound >= 0:
            spent = float(chances[bound])
            walk[: bound + 1] = 0.0
        bounds.append(bound)
        before = n
    return bounds
