"""The best layout for one lens: smooth programmes in epigraph form from several starts.

Three programmes, all solved by sequential quadratic programming (Kraft 1988, scipy's SLSQP) in
variables scaled to their limits, with derivatives by central differences of all perturbed
layouts at once:

1. to find a feasible layout: least violation, ``max s`` with every room at least s;
2. to find the best one: ``min t`` with the logarithm of every share at most t and every room
   at least 0;
3. to be robust: of the layouts within some per cent of the best, the one that leaves its
   constraints most room, ``max s``.

The worst of many smooth functions has kinks where programmes 1 to 3 have none.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import permutations

import numpy as np
import scipy

from bench.defaults import SPARE
from bench.siting.aiming import aim
from bench.siting.problem import VARIABLES, Judged, Problem
from bench.typing import Array, IntArray

STEP = 1e-5  # of central differences, in variables that run from 0 to 1
ENOUGH = 0.05  # room, in units of the scales, at which the search for a feasible layout ends
# Starts whose worst shares differ by less are said to agree.
AGREE = 0.01
FEASIBLE = 1e-6
GAIN = 1e-4  # of the worst share, that makes another setting of a mount worth while
SCREENED = 9  # power of two of layouts from which starts are taken where targets may be hidden
ROUNDS = 4  # of choosing mounts' settings and placing towers by turns
N = len(VARIABLES)


@dataclass(frozen=True, eq=False)
class Found:
    """A layout that a start led to.

    Attributes
    ----------
    x : (5,) float64
        See `bench.siting.problem.VARIABLES`.
    choice : (G,) int64
        Setting of each mount.
    share : float
        Worst uncertainty over tolerance.
    violation : float
        Worst violation of a constraint in units of its scale; 0 where all are kept.
    """

    x: Array
    choice: IntArray
    share: float
    violation: float

    @property
    def feasible(self) -> bool:
        """Whether all constraints are kept."""
        return self.violation <= FEASIBLE

    @property
    def key(self) -> tuple[float, float]:
        """Sort key, smaller for a better layout: violation where not feasible, then share."""
        return (0.0 if self.feasible else self.violation, self.share)


def solve(
    problem: Problem,
    starts: int,
    seed: int,
    progress: Callable[[], None] = lambda: None,
) -> tuple[Found, ...]:
    """Return what every start led to, in the starts' order.

    Starts are a Sobol sequence over the limits, scrambled by the seed (Owen 1998), so that a
    run with more starts begins with the same ones.

    Parameters
    ----------
    problem : Problem
        Bay and lens.
    starts : int
        How many.
    seed : int
        Of the scrambling.
    progress : callable
        Called after every start.
    """
    sobol = scipy.stats.qmc.Sobol(
        N, scramble=True, rng=np.random.default_rng(np.random.SeedSequence(seed))
    )
    # a whole power of two, as the sequence likes it
    if problem.sight_lines is None:
        points = sobol.random_base2(int(np.ceil(np.log2(max(starts, 2)))))[:starts]
    else:
        points = _lit(problem, sobol.random_base2(SCREENED), starts)
    found = []
    for point in points:
        found.append(_from(problem, point))
        progress()
    return tuple(found)


def _lit(problem: Problem, points: Array, starts: int) -> Array:
    """Return the starts, aimed, that break least: in deep shadow nothing says which way is out."""
    low, high = problem.limits
    choice = np.zeros(len(problem.mounts), dtype=np.int64)
    aimed = np.concatenate(
        [aim(problem, low + part * (high - low), choice) for part in np.split(points, 4)]
    )
    violation = np.concatenate(
        [problem.judge(part, choice).violation for part in np.split(aimed, 4)]
    )
    order = np.argsort(violation, kind="stable")[:starts]
    return np.asarray((aimed[order] - low) / np.maximum(high - low, 1e-9))


def best_of(found: tuple[Found, ...]) -> Found:
    """Return the best of what starts led to; of equals the first."""
    return min(found, key=lambda one: one.key)


def agreeing(found: tuple[Found, ...]) -> int:
    """Return how many starts led to a worst share (or violation) within 1 % of the best."""
    best = best_of(found)
    if not best.feasible:
        return sum(one.violation <= best.violation * (1.0 + AGREE) for one in found)
    return sum(one.feasible and one.share <= best.share * (1.0 + AGREE) for one in found)


def polish(problem: Problem, x: Array, choice: IntArray) -> Found:
    """Return the best layout that programmes 1 and 2 reach from a layout, mounts as they are."""
    programme = Programme(problem, choice)
    u = programme.scaled(x)
    if programme.judged(u).violation[0] > 0.0:
        u = programme.least_violation(u)
    if programme.judged(u).violation[0] <= FEASIBLE:
        u = _better(programme, u, programme.least_share(u))
    return programme.found(u)


def with_room(problem: Problem, best: Found, spare: float = SPARE) -> Found:
    """Return the layout with most room among those nearly as good, programme 3."""
    programme = Programme(problem, best.choice)
    u = programme.scaled(best.x)
    roomy = programme.found(programme.most_room(u, best.share * (1.0 + spare)))
    allowed = best.share * (1.0 + spare) * (1.0 + 1e-6)
    if not (roomy.feasible and roomy.share <= allowed):
        return best
    # the least room leaves open what has more: balance the picture where that costs nothing
    x = aim(problem, roomy.x[None], best.choice)[0]
    for variables in (["yaw", "pitch"], ["pitch"], ["yaw"]):
        moved = roomy.x.copy()
        places = [VARIABLES.index(name) for name in variables]
        moved[places] = x[places]
        judged = problem.judge(np.stack((moved, roomy.x)), best.choice)
        least = judged.room.min(axis=-1)
        if judged.worst[0] <= allowed and least[0] >= least[1] - 1e-6:
            return Found(moved, best.choice, float(judged.worst[0]), float(judged.violation[0]))
    return roomy


def with_fewest_settings(problem: Problem, best: Found, spare: float = SPARE) -> Found:
    """Return the layout with fewest different settings of mounts among those nearly as good.

    One setting after the other is given up where the mounts that have it can share another's;
    of the ways to do so the one that costs least is taken, as long as the worst share stays
    within `spare` of the best's.
    """
    allowed, now = best.share * (1.0 + spare), best
    while True:
        ways = [polish(problem, now.x, choice) for choice in _fewer(problem, now.choice)]
        kept = [found for found in ways if found.feasible and found.share <= allowed]
        if not kept:
            return now
        now = min(kept, key=lambda one: one.key)


def _fewer(problem: Problem, choice: IntArray) -> list[IntArray]:
    """Return choices in which one setting's mounts have another one's that is in use."""
    own = [settings[c] for settings, c in zip(problem.settings, choice, strict=True)]
    used, found = sorted(set(own)), []
    for gone, other in permutations(used, 2):
        moved = [other if setting == gone else setting for setting in own]
        if all(s in settings for s, settings in zip(moved, problem.settings, strict=True)):
            places = [
                settings.index(s) for s, settings in zip(moved, problem.settings, strict=True)
            ]
            found.append(np.array(places, dtype=np.int64))
    return found


def exchange(problem: Problem, best: Found) -> Found:
    """Return the best found by setting one mount otherwise at a time, until none gains."""
    counts = [len(settings) for settings in problem.settings]
    gained = True
    while gained:
        gained = False
        for mount, count in enumerate(counts):
            for setting in range(count):
                if setting == best.choice[mount]:
                    continue
                choice = best.choice.copy()
                choice[mount] = setting
                found = polish(problem, best.x, choice)
                if found.key < (best.key[0], best.key[1] * (1.0 - GAIN)):
                    best, gained = found, True
    return best


def _from(problem: Problem, point: Array) -> Found:
    low, high = problem.limits
    x = low + point * (high - low)
    choice = problem.choose(x, np.zeros(len(problem.mounts), dtype=np.int64))
    best = polish(problem, x, choice)
    for _ in range(ROUNDS):
        other = problem.choose(best.x, best.choice)
        if np.array_equal(other, best.choice):
            break
        found = polish(problem, best.x, other)
        if not found.key < best.key:
            break
        best = found
    return best


def _better(programme: Programme, before: Array, after: Array) -> Array:
    """Return the better of two layouts: the programme may end a hair outside or early."""
    a, b = programme.found(before), programme.found(after)
    return after if b.key <= a.key else before


class Programme:
    """The programmes, for one choice of mounts' settings, in variables from 0 to 1."""

    def __init__(self, problem: Problem, choice: IntArray) -> None:
        self.problem, self.choice = problem, choice
        low, high = problem.limits
        self.low, self.span = low, np.maximum(high - low, 1e-9)
        self._at: Array | None = None
        self._values: tuple[Array, Array, Array, Array] | None = None

    def scaled(self, x: Array) -> Array:
        """Return variables from 0 to 1."""
        return np.asarray(np.clip((x - self.low) / self.span, 0.0, 1.0))

    def judged(self, u: Array) -> Judged:
        """Return the layout judged."""
        return self.problem.judge((self.low + u * self.span)[None], self.choice)

    def found(self, u: Array) -> Found:
        """Return the layout with its worst share and violation."""
        judged = self.judged(u)
        return Found(
            self.low + u * self.span,
            self.choice,
            float(judged.worst[0]),
            float(judged.violation[0]),
        )

    def values(self, u: Array) -> tuple[Array, Array, Array, Array]:
        """Return log shares (K,), room (M,) and their derivatives (K, 5) and (M, 5)."""
        if self._values is None or self._at is None or not np.array_equal(u, self._at):
            steps = np.concatenate((np.zeros((1, N)), STEP * np.eye(N), -STEP * np.eye(N)))
            judged = self.problem.judge(self.low + (u + steps) * self.span, self.choice)
            shares = np.log(judged.shares)
            self._values = (
                shares[0],
                judged.room[0],
                (shares[1 : N + 1] - shares[N + 1 :]).T / (2.0 * STEP),
                (judged.room[1 : N + 1] - judged.room[N + 1 :]).T / (2.0 * STEP),
            )
            self._at = u.copy()
        return self._values

    def least_violation(self, u: Array) -> Array:
        """Programme 1."""
        start = float(self.judged(u).room.min())

        def rows(z: Array) -> Array:
            return np.asarray(self.values(z[:N])[1] - z[N])

        def slopes(z: Array) -> Array:
            d_room = self.values(z[:N])[3]
            return np.column_stack((d_room, np.full(len(d_room), -1.0)))

        return self._run(u, min(start, ENOUGH), -1.0, rows, slopes, (None, ENOUGH))

    def least_share(self, u: Array) -> Array:
        """Programme 2."""
        start = float(np.log(self.judged(u).worst[0]))

        def rows(z: Array) -> Array:
            share, room, _, _ = self.values(z[:N])
            return np.concatenate((z[N] - share, room))

        def slopes(z: Array) -> Array:
            _, _, d_share, d_room = self.values(z[:N])
            top = np.column_stack((-d_share, np.ones(len(d_share))))
            return np.vstack((top, np.column_stack((d_room, np.zeros(len(d_room))))))

        return self._run(u, start, 1.0, rows, slopes, (None, None))

    def most_room(self, u: Array, share: float) -> Array:
        """Programme 3, with shares up to `share`."""
        level = np.log(share)

        def rows(z: Array) -> Array:
            shares, room, _, _ = self.values(z[:N])
            return np.concatenate((level - shares, room - z[N]))

        def slopes(z: Array) -> Array:
            _, _, d_share, d_room = self.values(z[:N])
            top = np.column_stack((-d_share, np.zeros(len(d_share))))
            return np.vstack((top, np.column_stack((d_room, np.full(len(d_room), -1.0)))))

        return self._run(u, 0.0, -1.0, rows, slopes, (0.0, None))

    def _run(
        self,
        u: Array,
        extra: float,
        sign: float,
        rows: Callable[[Array], Array],
        slopes: Callable[[Array], Array],
        bounds: tuple[float | None, float | None],
    ) -> Array:
        """Minimise `sign` times the extra variable subject to rows >= 0."""
        gradient = np.append(np.zeros(N), sign)
        found = scipy.optimize.minimize(
            lambda z: sign * z[N],
            np.append(u, extra),
            jac=lambda z: gradient,
            bounds=[*[(0.0, 1.0)] * N, bounds],
            constraints={"type": "ineq", "fun": rows, "jac": slopes},
            method="SLSQP",
            options={"maxiter": 200, "ftol": 1e-9},
        )
        return np.asarray(np.clip(found.x[:N], 0.0, 1.0))
