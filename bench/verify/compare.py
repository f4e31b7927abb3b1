"""Comparison of two recordings of one suite: pairs by key, and every test of every group."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from bench.errors import RunError
from bench.typing import Array, BoolArray, IntArray
from bench.verify.effects import GROUP_TESTS, MIN_PAIRS, SUITE_TESTS, Measured
from bench.verify.margins import Margins
from bench.verify.paired import holm
from bench.verify.rows import GOOD, NAMES, UNDETECTED, CaseRow

# Family-wise error over all tests of a comparison, and how it is shared out: half for the tests
# of the whole suite, half for all groups'. Twice below the 4 false alarms in 1,000 that are
# promised, so that a count of them can show it.
ALPHA = 0.002
SUITE_SHARE = 0.5
WHOLE = "whole suite"


@dataclass(frozen=True, eq=False)
class Side:
    """One recording's rows as arrays: good and detected (n,), values (n, columns)."""

    good: BoolArray
    detected: BoolArray
    values: Array

    @classmethod
    def of(cls, rows: Sequence[CaseRow]) -> Side:
        """Return the arrays of rows."""
        outcomes = [row.outcome for row in rows]
        return cls(
            np.array([o in GOOD for o in outcomes], dtype=np.bool_),
            np.array([o not in UNDETECTED for o in outcomes], dtype=np.bool_),
            np.array([row.values for row in rows]).reshape(-1, len(NAMES)),
        )

    def __getitem__(self, name: str) -> Array:
        return self.values[:, NAMES.index(name)]

    def take(self, chosen: IntArray | BoolArray) -> Side:
        """Return some of the rows."""
        return Side(self.good[chosen], self.detected[chosen], self.values[chosen])


@dataclass(frozen=True, eq=False)
class Pairs:
    """Paired cases.

    Attributes
    ----------
    keys : tuple of str
        Of the cases.
    groups : tuple of str
        Names, in the suite's order.
    group : (n,) int
        Each case's place in `groups`.
    empty : frozenset of str
        Groups whose pictures show no target.
    old, new : Side
        Rows in the order of `keys`.
    """

    keys: tuple[str, ...]
    groups: tuple[str, ...]
    group: IntArray
    empty: frozenset[str]
    old: Side
    new: Side

    def __len__(self) -> int:
        return len(self.keys)

    def take(self, chosen: IntArray) -> Pairs:
        """Return some of the pairs (m,)."""
        keys = tuple(self.keys[i] for i in chosen)
        old, new = self.old.take(chosen), self.new.take(chosen)
        return Pairs(keys, self.groups, self.group[chosen], self.empty, old, new)


def pair(old: Mapping[str, CaseRow], new: Mapping[str, CaseRow], empty: Sequence[str]) -> Pairs:
    """Return the cases that both have, in the old one's order.

    Raises
    ------
    RunError
        There is none.
    """
    keys = tuple(key for key in old if key in new)
    if not keys:
        raise RunError("the two recordings have no case in common")
    names = [key.partition("|")[0] for key in keys]
    groups = tuple(dict.fromkeys(names))
    return Pairs(
        keys,
        groups,
        np.array([groups.index(name) for name in names]),
        frozenset(empty),
        Side.of([old[key] for key in keys]),
        Side.of([new[key] for key in keys]),
    )


@dataclass(frozen=True)
class Judged:
    """A test's measurement and what it comes to.

    Attributes
    ----------
    group : str
        Or `WHOLE`.
    measured : Measured
        Numbers.
    state : str
        ``worse``, ``better``, ``same`` (no worse than the margin, shown), ``open`` (neither
        shown), ``slight`` (worse beyond doubt, by less than the margin, shown).
    """

    group: str
    measured: Measured
    state: str


@dataclass(frozen=True, eq=False)
class Comparison:
    """All tests of a comparison."""

    pairs: Pairs
    margins: Margins
    judged: tuple[Judged, ...]

    def with_state(self, *states: str) -> tuple[Judged, ...]:
        """Return the tests that came to one of some states."""
        return tuple(j for j in self.judged if j.state in states)

    @property
    def unjudged(self) -> tuple[Judged, ...]:
        """The tests that a verdict "as good" needs and that show nothing."""
        return tuple(j for j in self.judged if j.state == "open" and j.measured.needed)


def compare(pairs: Pairs, margins: Margins | None = None, alpha: float = ALPHA) -> Comparison:
    """Run every test on every group and judge them together.

    Parameters
    ----------
    pairs : Pairs
        What to compare.
    margins : Margins, optional
        What counts as no worse.
    alpha : float
        Chance of any false alarm, of all tests together.
    """
    margins = margins or Margins()
    places, found, weights = [], [], []
    target = np.array([pairs.groups[g] not in pairs.empty for g in pairs.group])
    for name, index in [(WHOLE, None), *((g, i) for i, g in enumerate(pairs.groups))]:
        whole = index is None
        chosen = target if whole else pairs.group == index
        if not np.any(chosen):
            continue
        old, new = pairs.old.take(chosen), pairs.new.take(chosen)
        tests = SUITE_TESTS if whole else GROUP_TESTS[name in pairs.empty]
        share = SUITE_SHARE if whole else (1.0 - SUITE_SHARE) / len(pairs.groups)
        total = sum(test.weight for test in tests)
        for test in tests:
            places.append(name)
            found.append(test.measure(old, new, margins))
            weights.append(share * test.weight / total)
    worse = holm([m.p_worse for m in found], weights, alpha)
    better = holm([m.p_better for m in found], weights, alpha)
    judged = [
        Judged(name, m, _state(m, bool(w), bool(b)))
        for name, m, w, b in zip(places, found, worse, better, strict=True)
    ]
    return Comparison(pairs, margins, tuple(judged))


def _state(measured: Measured, worse: bool, better: bool) -> str:
    within = measured.n >= MIN_PAIRS and measured.bound <= measured.margin
    if worse:
        return "slight" if within else "worse"
    if better:
        return "better"
    return "same" if within else "open"
