"""Search for a tolerance's limit: which cells to look at, and how often.

The given grid is the start. Each of its intervals can be bisected so many times, and is only
where tested cells around it disagree: a quadtree along the tolerance's contour. A cell is
judged after so many, twice as many, … trials. A pipeline that is decided there isn't run on the
cell's further pictures, and once every one is, there are none.

Looking repeatedly would let a lucky moment decide. What each look asks is therefore such that all
of a cell's looks together err as rarely as one would (`bench.survey.looks`). That costs trials,
and saves far more.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from bench.defaults import MAX_LEVELS
from bench.errors import ConfigError
from bench.survey.looks import Looks, plan_looks
from bench.survey.pieces import Cases
from bench.survey.plan import Plan, nominal
from bench.survey.verdicts import UNDECIDED, Request, judge_cells

Cell = tuple[int, int, int]  # indices of range, turn and pitch in the fine plan
Verdicts = dict[Cell, dict[str, str]]  # of each pipeline


@dataclass(frozen=True)
class Contour:
    """How to look for the contour.

    Attributes
    ----------
    plan : Plan
        The fine grid, with the most trials that a cell may get.
    levels : int
        How many times intervals of the given grid are bisected.
    looks : tuple of int
        Trials at which a cell is judged, ascending; the last is the plan's.
    request : Request
        The tolerance.
    """

    plan: Plan
    levels: int
    looks: tuple[int, ...]
    request: Request

    @property
    def judged_by(self) -> Looks:
        """What decides at each look, by the pictures of a cell at all its places in the frame."""
        pictures = tuple(n * len(self.plan.positions) for n in self.looks)
        return plan_looks(pictures, self.request.success, self.request.confidence)

    def as_dict(self) -> dict[str, object]:
        """Return what, beside the plan, decides which cases are run."""
        return {
            "levels": self.levels,
            "stops": "each pipeline",  # where it is decided, whatever others need
            "looks": list(self.looks),
            "within_deg": self.request.within_deg,
            "success": self.request.success,
            "confidence": self.request.confidence,
        }


def contour_of(plan: Plan, request: Request, levels: int, looks: int) -> Contour:
    """Return how to look for a tolerance's contour, starting from a plan's own grid.

    Parameters
    ----------
    plan : Plan
        Its trials are the most that a cell gets.
    request : Request
        The tolerance.
    levels : int
        Bisections, 0 to `MAX_LEVELS`.
    looks : int
        How often a cell is judged, each time after twice as many trials.

    Raises
    ------
    ConfigError
        A number is outside its limits, or the trials are too few for so many looks.
    """
    if not 0 <= levels <= MAX_LEVELS:
        raise ConfigError(f"levels: {levels} lies outside 0 to {MAX_LEVELS}")
    if looks < 1 or plan.trials < 2 ** (looks - 1):
        raise ConfigError(
            f"looks: {looks} looks, each after twice as many trials, need 1 look and "
            f"{2 ** max(looks - 1, 0)} trials at least; there are {plan.trials} trials"
        )
    steps = tuple(-(-plan.trials // 2**k) for k in reversed(range(looks)))
    fine = replace(
        plan,
        ranges_m=bisected(plan.ranges_m, levels),
        turns_deg=bisected(plan.turns_deg, levels),
    )
    return Contour(fine, levels, steps, request)


def bisected(values: tuple[float, ...], levels: int) -> tuple[float, ...]:
    """Return an ascending grid with every interval cut into 2^levels equal parts."""
    ends = np.array(values)
    for _ in range(levels if len(values) > 1 else 0):
        ends = np.sort(np.concatenate((ends, 0.5 * (ends[1:] + ends[:-1]))))
    return tuple(nominal(float(v)) for v in ends)


def start_cells(contour: Contour) -> list[Cell]:
    """Return the cells of the given grid."""
    plan, step = contour.plan, 2**contour.levels
    return list(
        product(
            _lattice(len(plan.ranges_m), step),
            _lattice(len(plan.turns_deg), step),
            range(len(plan.pitches_deg)),
        )
    )


def refined_cells(contour: Contour, level: int, verdicts: Verdicts) -> list[Cell]:
    """Return the cells to test next, where those tested disagree at a level of bisection.

    A square between neighbours of this level is bisected where any two tested cells in it, its
    edges included, differ for any pipeline; undecided differs from decided. A cell on an edge
    may thereby show that the contour goes on into the next square: call again with its verdict
    until nothing is returned.

    Parameters
    ----------
    contour : Contour
        The plan.
    level : int
        0 for squares of the given grid; below `contour.levels`.
    verdicts : dict
        Of all cells tested so far.
    """
    step = 2 ** (contour.levels - level)
    found: set[Cell] = set()
    for square, pitch in _squares(contour, step):
        corners = [(r, t, pitch) for r, t in product(*square)]
        if all(corner in verdicts for corner in corners) and _differ(square, pitch, verdicts):
            middles = [sorted({low, (low + high) // 2, high}) for low, high in square]
            found |= {(r, t, pitch) for r, t in product(*middles)}
    return sorted(found - verdicts.keys())


def left_open(
    cells: Iterable[Cell], verdicts: Mapping[Cell, Mapping[str, str]]
) -> dict[Cell, tuple[str, ...]]:
    """Return the pipelines that are undecided in each cell, where there are any."""
    found = {
        cell: tuple(name for name, verdict in verdicts[cell].items() if verdict == UNDECIDED)
        for cell in cells
    }
    return {cell: names for cell, names in found.items() if names}


def indices_of(plan: Plan, cells: Iterable[Cell], trials: int) -> list[int]:
    """Return the indices in the plan of the first trials of cells, at every place in the frame."""
    shape = (len(plan.ranges_m), len(plan.turns_deg), len(plan.pitches_deg), len(plan.positions))
    wanted = [
        ((((trial * shape[0] + r) * shape[1] + t) * shape[2] + p) * shape[3]) + position
        for r, t, p in cells
        for trial in range(trials)
        for position in range(shape[3])
    ]
    return sorted(wanted)


def judge(cases: Cases, contour: Contour) -> Verdicts:
    """Return the verdicts of the cells that a table of cases has."""
    plan = contour.plan
    axes = (plan.ranges_m, plan.turns_deg, plan.pitches_deg)
    places = [{value: i for i, value in enumerate(axis)} for axis in axes]
    found: Verdicts = {}
    columns = ("range_m", "turn_deg", "pitch_deg", "pipeline", "verdict")
    for *at, pipeline, verdict in (
        judge_cells(cases, contour.request, contour.judged_by).select(columns).iter_rows()
    ):
        r, t, p = (place[value] for place, value in zip(places, at, strict=True))
        found.setdefault((r, t, p), {})[pipeline] = verdict
    return found


def implied_verdicts(contour: Contour, verdicts: Verdicts) -> Verdicts:
    """Return a verdict for every cell of the fine grid: the tested, and those between them.

    An untested cell has what all tested cells of the smallest square around it have. That is
    an assumption, that between neighbours of equal verdict nothing changes, and not a test.
    """
    found: Verdicts = {}
    for level in range(contour.levels + 1):  # smaller squares overwrite
        for square, pitch in _squares(contour, 2 ** (contour.levels - level)):
            corners = [(r, t, pitch) for r, t in product(*square)]
            if all(corner in verdicts for corner in corners) and not _differ(
                square, pitch, verdicts
            ):
                inside = product(*(range(low, high + 1) for low, high in square))
                found |= {(r, t, pitch): verdicts[corners[0]] for r, t in inside}
    return found | verdicts


def _lattice(n: int, step: int) -> range:
    return range(0, n, step if n > 1 else 1)


Square = tuple[tuple[int, int], tuple[int, int]]


def _squares(contour: Contour, step: int) -> Iterator[tuple[Square, int]]:
    """Iterate over squares between neighbours: (low, high) of range and turn, and the pitch."""
    plan = contour.plan
    ranges, turns = _spans(len(plan.ranges_m), step), _spans(len(plan.turns_deg), step)
    for r, t, pitch in product(ranges, turns, range(len(plan.pitches_deg))):
        yield (r, t), pitch


def _spans(n: int, step: int) -> list[tuple[int, int]]:
    return [(i, i + step) for i in range(0, n - 1, step)] or [(0, 0)]


def _differ(square: Square, pitch: int, verdicts: Verdicts) -> bool:
    """Tell whether tested cells in a square, edges included, have different verdicts."""
    (r0, r1), (t0, t1) = square
    seen = [
        verdicts[cell]
        for r, t in product(range(r0, r1 + 1), range(t0, t1 + 1))
        if (cell := (r, t, pitch)) in verdicts
    ]
    return any(one != seen[0] for one in seen)
