"""Search for a bay's layout: every lens, the best of them, judged again without shortcuts."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from bench.defaults import SPARE
from bench.errors import ConfigError
from bench.scene.model import Bay
from bench.sighting.prediction import Predictor
from bench.sighting.sighting import Sighting, sightings
from bench.siting.constraints import Constraint, amount, constraints_of
from bench.siting.formulation import corrected, kept_choice, make_problem, with_settings
from bench.siting.problem import Problem
from bench.siting.programme import (
    FEASIBLE,
    Found,
    agreeing,
    best_of,
    exchange,
    polish,
    solve,
    with_fewest_settings,
    with_room,
)
from bench.siting.sight_lines import SightLines, Visibility, tabulate
from bench.siting.tower_layout import Layout, layout_of, with_layout
from bench.typing import Array, IntArray

# What a layout is rounded to, the coarsest first that keeps everything: metres and radians.
ROUNDING = ((0.005, math.radians(0.1)), (0.001, math.radians(0.02)))
# Rounds of making quick predictions exact at the layout found and finding it again, until the
# worst share stays.
ROUNDS, STAYS = 4, 0.003
# How often the asked visible fraction is raised where interpolation promised too much.
RAISES = 3
Progress = Callable[[int, int], None]


@dataclass(frozen=True, eq=False)
class LensSiting:
    """What siting finds with one lens.

    Attributes
    ----------
    problem : Problem
        That was solved; its bay has the lens.
    starts : tuple of Found
        What every start led to.
    best : Found
        With the least worst share; or with the least violation where nothing is feasible.
    roomy : Found
        Nearly as good, with most room; `best` where nothing is feasible.
    """

    problem: Problem
    starts: tuple[Found, ...]
    best: Found
    roomy: Found

    @property
    def focal_length(self) -> float | None:
        """Metres; None where the camera's pixel pitch isn't known."""
        return layout_of(self.problem.bay).focal_length

    @property
    def lens(self) -> str:
        """The lens in words."""
        camera = self.problem.sides[0].tower.camera
        length = self.focal_length
        return f"{camera.fx:.0f} px" if length is None else f"{1e3 * length:.4g} mm"

    @property
    def agree(self) -> int:
        """How many starts led to within 1 % of the best."""
        return agreeing(self.starts)

    def binding(self) -> list[str]:
        """Return what is broken most where nothing is feasible, in words with numbers."""
        room = self.problem.judge(self.best.x[None], self.best.choice).room[0]
        worst = float(room.min())
        if worst >= -FEASIBLE:
            return []
        found: dict[str, str] = {}
        for label, value in zip(self.problem.labels, room, strict=True):
            if value <= worst * (1.0 - 1e-3):
                lacks = amount(abs(float(value)) * label.scale, label.unit)
                found.setdefault(label.name, f"{label.name} ({label.where}) lacks {lacks}")
        return list(found.values())


@dataclass(frozen=True, eq=False)
class Siting:
    """What siting finds.

    Attributes
    ----------
    asked : Bay
        As the file has it.
    predictor : Predictor
        Exact, for the final judgement.
    lenses : tuple of LensSiting
        One a lens, in the order of the bay file.
    chosen : LensSiting
        The best of them.
    bay : Bay
        With the layout found, rounded, and mounts set.
    sightings : tuple of Sighting
        Of that bay, without shortcuts.
    constraints : tuple of Constraint
        Likewise.
    """

    asked: Bay
    predictor: Predictor
    lenses: tuple[LensSiting, ...]
    chosen: LensSiting
    bay: Bay
    sightings: tuple[Sighting, ...]
    constraints: tuple[Constraint, ...]

    @property
    def layout(self) -> Layout:
        """The layout found."""
        return layout_of(self.bay)

    @property
    def share(self) -> float:
        """Worst uncertainty over tolerance."""
        return max(one.prediction.share(self.bay.tolerance) for one in self.sightings)

    @property
    def inside(self) -> bool:
        """Whether every uncertainty is inside tolerance by the bay's decision rule."""
        return all(
            one.prediction.decision(self.bay.tolerance).state == "inside" for one in self.sightings
        )

    @property
    def broken(self) -> tuple[Constraint, ...]:
        """Constraints that aren't kept, the worst first."""
        return tuple(sorted((c for c in self.constraints if not c.holds), key=lambda c: c.room))

    @property
    def feasible(self) -> bool:
        """Whether all constraints are kept."""
        return not self.broken


def evaluate(bay: Bay, predictor: Predictor, visible: bool = True) -> Siting:
    """Return a bay's own layout judged as siting judges, without looking for another.

    Raises
    ------
    ConfigError
        The towers aren't two, one on each side of the centre line.
    """
    predictor = predictor.for_bay(bay)
    problem = make_problem(bay, predictor)
    own = layout_of(bay)
    x = np.array([own.spacing, own.height, own.standoff, own.yaw, own.pitch])
    choice = kept_choice(problem)
    if not predictor.is_quick:
        problem = corrected(problem, predictor, x, choice)
    judged = problem.judge(x[None], choice)
    found = Found(x, choice, float(judged.worst[0]), float(judged.violation[0]))
    alone = LensSiting(problem, (found,), found, found)
    return _judged(bay, predictor, (alone,), alone, bay, visible)


def site(
    bay: Bay,
    predictor: Predictor,
    starts: int,
    seed: int,
    visibility: Visibility | None,
    lenses: Sequence[float] = (),
    settings: bool = True,
    progress: Progress = lambda done, total: None,
    spare: float = SPARE,
) -> Siting:
    """Find the layout that makes the worst predicted uncertainty over tolerance least.

    Parameters
    ----------
    bay : Bay
        What to choose from is in its siting space.
    predictor : Predictor
        Exact.
    starts : int
        Layouts to start from, for each lens.
    seed : int
        Of the starts.
    visibility : callable or None
        Of bay, tower and wheel: the visible fraction; None doesn't look at what hides targets.
    lenses : sequence of float
        Focal lengths to try, metres; the bay's list, or its own lens, when empty.
    settings : bool
        Whether mounts may be set anew, where they have more than one angle.
    progress : callable
        Told what is done of how many starts.
    spare : float
        Fraction of the best worst share given up for room to the constraints and for fewer
        settings of mounts.

    Raises
    ------
    ConfigError
        The towers aren't two, one on each side; a lens is asked of a camera without pixel pitch;
        or maps are given, and none was made with one of the lenses.
    """
    asked: tuple[float | None, ...] = tuple(lenses) or bay.siting.lenses or (None,)
    total, done = starts * len(asked), 0

    def step() -> None:
        nonlocal done
        done += 1
        progress(done, total)

    own = layout_of(bay)
    bays = [
        bay if lens is None else with_layout(bay, replace(own, focal_length=lens))
        for lens in asked
    ]
    predictors = _with_maps(predictor, bays, asked)
    problems = [make_problem(b, p, settings) for b, p in zip(bays, predictors, strict=True)]
    found = [
        _one_lens(problem, exact, starts, seed, step, spare)
        for problem, exact in zip(problems, predictors, strict=True)
    ]
    if visibility is not None:
        found = _unhidden(found, visibility, seed, spare)
    chosen = min(found, key=lambda one: (one.roomy.key, one.lens))
    predictor, visible = predictors[found.index(chosen)], visibility is not None
    simple = _simplest(chosen, spare)
    for one in (simple, chosen) if simple is not chosen else (chosen,):
        lenses_found = tuple(one if lens is chosen else lens for lens in found)
        sited = _rounded(one)
        siting = _judged(bay, predictor, lenses_found, one, sited, visible)
        if siting.feasible:
            break
    return siting


def _simplest(one: LensSiting, spare: float) -> LensSiting:
    """Return what was found with as few settings of mounts as hardly cost anything."""
    if not one.best.feasible:
        return one
    fewest = with_fewest_settings(one.problem, one.best, spare)
    if np.array_equal(fewest.choice, one.best.choice):
        return one
    left = one.best.share * (1.0 + spare) / fewest.share - 1.0
    return replace(one, roomy=with_room(one.problem, fewest, max(left, 0.0)))


def _with_maps(
    predictor: Predictor, bays: Sequence[Bay], lenses: Sequence[float | None]
) -> list[Predictor]:
    """Return a predictor for each lens; where maps are given, with the lens's own."""
    found, lacking, with_map = [], [], []
    for bay, lens in zip(bays, lenses, strict=True):
        try:
            found.append(predictor.for_bay(bay))
            with_map.append(lens)
        except ConfigError as error:
            if lens is None:
                raise
            lacking.append(f"{1e3 * lens:g}")
            why = str(error)
    if lacking and not with_map:
        raise ConfigError(why)
    if lacking:
        there = ", ".join(f"{1e3 * lens:g}" for lens in with_map if lens is not None)
        raise ConfigError(
            f"--map: none was made with the lenses {', '.join(lacking)} mm; give --map once for "
            f"each lens, or look at those that have one: --lenses '{there} mm'"
        )
    return found


def _one_lens(
    problem: Problem,
    predictor: Predictor,
    starts: int,
    seed: int,
    step: Callable[[], None],
    spare: float,
) -> LensSiting:
    found = solve(problem, starts, seed, step)
    best = exchange(problem, best_of(found))
    for _ in range(0 if predictor.is_quick or not best.feasible else ROUNDS):
        problem = corrected(problem, predictor, best.x, best.choice)
        again = exchange(problem, polish(problem, best.x, best.choice))
        stays = abs(again.share - best.share) <= STAYS * best.share
        best = again
        if stays:
            break
    return LensSiting(
        problem, found, best, with_room(problem, best, spare) if best.feasible else best
    )


def _unhidden(
    found: list[LensSiting], visibility: Visibility, seed: int, spare: float
) -> list[LensSiting]:
    """Return what is found when fractions that the layouts found so far hide too much count."""
    lines: SightLines | None = None
    result = []
    for one in found:
        problem, asked = one.problem, one.problem.bay.siting.visible
        for _ in range(RAISES):
            lacks = asked - _least_visible(one, visibility)
            if lacks <= 0.0:
                break
            if lines is None:
                names = tuple(tower.name for tower in problem.bay.towers)
                lines = tabulate(problem.bay, visibility, names)
            if problem.sight_lines is None:
                problem = replace(problem, sight_lines=lines)
            else:
                space = problem.bay.siting
                raised = replace(space, visible=min(1.0, space.visible + lacks))
                problem = replace(problem, bay=replace(problem.bay, siting=raised))
            # afresh: shadows part the space, and what was found lies in one
            starts = solve(problem, len(one.starts), seed)
            best = exchange(problem, best_of(starts))
            roomy = with_room(problem, best, spare) if best.feasible else best
            one = LensSiting(problem, starts, best, roomy)
        result.append(one)
    return result


def _least_visible(one: LensSiting, visibility: Visibility) -> float:
    bay = _with_found(one.problem, one.roomy.x, one.roomy.choice)
    return min(
        visibility(bay, tower, sighting.wheel)
        for tower in bay.towers
        for sighting in sightings(bay, one.problem.predictor, visible=False)
        if sighting.tower == tower.name
    )


def _with_found(problem: Problem, x: Array, choice: IntArray) -> Bay:
    return with_settings(with_layout(problem.bay, problem.layout(x)), problem, choice)


def _rounded(one: LensSiting) -> Bay:
    """Return the bay with the layout found, rounded as far as it keeps all constraints."""
    for length, angle in ROUNDING:
        steps = np.array([length, length, length, angle, angle])
        x = np.round(one.roomy.x / steps) * steps
        judged = one.problem.judge(x[None], one.roomy.choice)
        low, high = one.problem.limits
        inside = np.all(x >= low - 1e-9) and np.all(x <= high + 1e-9)
        if judged.violation[0] <= FEASIBLE and inside:
            break
    else:
        x = one.roomy.x
    return _with_found(one.problem, x, one.roomy.choice)


def _judged(
    asked: Bay,
    predictor: Predictor,
    lenses: tuple[LensSiting, ...],
    chosen: LensSiting,
    bay: Bay,
    visible: bool,
) -> Siting:
    # a visible fraction raised for the search is the file's again
    bay = replace(bay, siting=asked.siting)
    seen = sightings(bay, predictor, visible)
    return Siting(asked, predictor, lenses, chosen, bay, seen, constraints_of(bay, seen))
