"""Limits of a layout, and what another target, lens or sensor would gain."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import scipy

from bench.scene.model import Bay, Tower
from bench.siting.constraints import Unit, amount
from bench.siting.formulation import make_problem
from bench.siting.problem import VARIABLES, Problem
from bench.siting.programme import FEASIBLE, Found, Programme, best_of, exchange, polish, solve
from bench.siting.search import LensSiting, Siting

# Constraints with less room, in units of their scales, count as active, and so do shares within
# that of the worst, on a logarithmic scale.
ACTIVE = 1e-4
# By how much each limit is moved to say what it costs: of each unit.
MOVES: dict[Unit, float] = {
    "plate widths": 0.1,
    "rad": math.radians(1.0),
    "": 0.01,
    "px": 0.5,
    "m": 0.1,
}
# How far limits of the siting space are widened to see what the layout would be without them.
WIDER_LENGTH, WIDER_ANGLE = 1.0, math.radians(15.0)
LARGER, LONGER, FINER = 1.25, 1.25, 1.25
RESTARTS = 4  # starts from afresh for a changed bay, beside the layout found


@dataclass(frozen=True)
class Limit:
    """One thing that keeps the worst uncertainty from being less.

    Attributes
    ----------
    name : str
        Of the constraint, or such as ``"greatest spacing"``.
    where : str
        Of what; the strongest where there are several.
    unit : str
        Its unit, see `bench.siting.constraints.Constraint`.
    move : float
        How far the limit is moved for `gain`, in that unit.
    gain : float
        Fraction by which the worst share falls for a small move, scaled to `move`: the
        Lagrange multiplier.
    without : float
        Worst share when the limit is dropped, or widened by 1 m or 15 degrees.
    """

    name: str
    where: str
    unit: Unit
    move: float
    gain: float
    without: float

    def words(self, share: float) -> str:
        """Return the limit in words; `share` is the worst one with it, from the same bound."""
        where = f" ({self.where})" if self.where else ""
        fall = 100.0 * (1.0 - self.without / share)
        if fall < 100.0 * self.gain:  # something else binds before
            return f"{self.name}{where}: without it {max(fall, 0.0):.0f} %"
        return (
            f"{self.name}{where}: less by {amount(self.move, self.unit)} it would give about "
            f"{100.0 * self.gain:.1f} %; without it, {fall:.0f} %"
        )


@dataclass(frozen=True)
class Gain:
    """What a change of equipment would give.

    Attributes
    ----------
    change : str
        In words.
    share : float
        Worst share of the best layout with it.
    feasible : bool
        Whether there is a layout at all.
    note : str
        What was assumed, or what binds.
    """

    change: str
    share: float
    feasible: bool
    note: str

    def words(self, share: float) -> str:
        """Return the gain in words; `share` is what there is without it, from the same bound."""
        if not self.feasible:
            return f"{self.change}: no feasible layout; {self.note}"
        by = 100.0 * (1.0 - self.share / share)
        kind = "less" if by >= 0.0 else "more"
        note = f" ({self.note})" if self.note else ""
        return f"{self.change}: {abs(by):.0f} % {kind} uncertainty{note}"


def stationarity(one: LensSiting) -> tuple[dict[int, float], dict[str, float], float]:
    """Return Lagrange multipliers at a lens's best layout, and what they leave of the gradient.

    At the best layout gradients of the largest log shares, weighted to 1 in sum, are balanced
    by those of active constraints (Karush 1939, Kuhn and Tucker 1951); the weights are found by
    non-negative least squares.

    Returns
    -------
    of constraints : dict of int to float
        By column of `Judged.room`: fall of the log share per unit of room.
    of limits : dict of str to float
        Such as ``"greatest spacing"``: fall per metre or radian.
    residual : float
        Of the balance, in variables that run from 0 to 1; 0 at an exact optimum.
    """
    programme = Programme(one.problem, one.best.choice)
    u = programme.scaled(one.best.x)
    shares, room, d_shares, d_room = programme.values(u)
    top = np.flatnonzero(shares >= shares.max() - ACTIVE)
    active = np.flatnonzero(room <= ACTIVE)
    columns = [np.append(d_shares[k], 1.0) for k in top]
    columns += [np.append(-d_room[j], 0.0) for j in active]
    names: list[tuple[str, float]] = []
    for i, name in enumerate(VARIABLES):
        for end, kind, sign in ((0.0, "least", -1.0), (1.0, "greatest", 1.0)):
            if abs(u[i] - end) <= ACTIVE:
                columns.append(np.append(sign * np.eye(len(VARIABLES))[i], 0.0))
                names.append((f"{kind} {name}", float(programme.span[i])))
    balance = np.append(np.zeros(len(VARIABLES)), 1.0)
    weights, residual = scipy.optimize.nnls(np.column_stack(columns), balance)
    rest = weights[len(top) :]
    of_room = {int(j): float(w) for j, w in zip(active, rest, strict=False)}
    of_ends = {
        name: float(w) / span for (name, span), w in zip(names, rest[len(active) :], strict=True)
    }
    return of_room, of_ends, float(residual)


def limits_of(one: LensSiting) -> tuple[Limit, ...]:
    """Return what limits a lens's best layout, what costs most first; empty if none is."""
    if not one.best.feasible:
        return ()
    of_room, of_ends, _ = stationarity(one)
    found = []
    labels = one.problem.labels
    by_name: dict[str, list[int]] = {}
    for j, weight in of_room.items():
        if weight > FEASIBLE:
            by_name.setdefault(labels[j].name, []).append(j)
    for name, columns in by_name.items():
        strongest = max(columns, key=lambda j: of_room[j])
        label = labels[strongest]
        move = MOVES[label.unit]
        gain = sum(of_room[j] for j in columns) * move / label.scale
        free = replace(one.problem, dropped=frozenset((name,)))
        found.append(
            Limit(name, label.where, label.unit, move, gain, _again(free, one.best).share)
        )
    for name, weight in of_ends.items():
        if weight > FEASIBLE:
            unit: Unit = "rad" if name.endswith(("yaw", "pitch")) else "m"
            wider = _widened(one.problem, name)
            found.append(
                Limit(
                    name, "", unit, MOVES[unit], weight * MOVES[unit],
                    _again(wider, one.best).share,
                )
            )  # fmt: skip
    return tuple(sorted(found, key=lambda limit: limit.without))


def gains_of(
    siting: Siting, seed: int, progress: Callable[[int, int], None] = lambda done, total: None
) -> tuple[Gain, ...]:
    """Return what a larger target, a longer lens and more pixels would gain."""
    one = siting.chosen
    steps = (_larger_target, _longer_lens, _more_pixels)
    found = []
    for done, step in enumerate(steps):
        found.append(step(siting, one, seed))
        progress(done + 1, len(steps))
    return tuple(found)


def _larger_target(siting: Siting, one: LensSiting, seed: int) -> Gain:
    problem = replace(one.problem, scale=LARGER)
    change = f"target and plate larger by {100 * (LARGER - 1):.0f} %, the same lens"
    return _gain(change, problem, one, seed, "")


def _longer_lens(siting: Siting, one: LensSiting, seed: int) -> Gain:
    own = one.focal_length
    listed = [lens for lens in siting.lenses if lens.focal_length is not None]
    tried = [lens for lens in listed if (lens.focal_length or 0.0) > (own or 0.0) * (1.0 + 1e-9)]
    if own is not None and tried:
        following = min(tried, key=lambda lens: lens.focal_length or 0.0)
        change = f"next longer lens, {following.lens}"
        note = "" if following.best.feasible else "; ".join(following.binding())
        return Gain(change, following.best.share, following.best.feasible, note)
    towers = []
    for tower in one.problem.bay.towers:
        camera = tower.camera
        longer = replace(camera, fx=camera.fx * LONGER, fy=camera.fy * LONGER)
        towers.append(replace(tower, camera=longer))
    by = f"lens longer by {100 * (LONGER - 1):.0f} %"
    pixels = one.problem.sides[0].tower.camera.fx * LONGER
    change = f"{by} ({pixels:.0f} px)" if own is None else f"{by}, {1e3 * own * LONGER:.4g} mm"
    bay = replace(one.problem.bay, towers=tuple(towers))
    return _gain(change, _like(one, bay, siting), one, seed, "")


def _more_pixels(siting: Siting, one: LensSiting, seed: int) -> Gain:
    bay = replace(one.problem.bay, towers=tuple(map(finer, one.problem.bay.towers)))
    change = f"pixels finer by {100 * (1 - 1 / FINER):.0f} % on a sensor of the same size"
    note = "the lens's blur and the light on the sensor stay the same"
    if siting.predictor.bound == "corner":
        note = "corners found as well in pixels as now"
    return _gain(change, _like(one, bay, siting), one, seed, note)


def finer(tower: Tower) -> Tower:
    """Return a tower whose sensor has finer pixels, `FINER` times as many each way.

    The sensor's size, the lens, its blur in micrometres and the photons on an area stay.
    """
    camera, imaging = tower.camera, tower.imaging
    optics, sensor = imaging.optics, imaging.sensor
    pitch = camera.pixel_pitch
    motion = optics.motion_px
    return replace(
        tower,
        camera=replace(
            camera,
            width=round(camera.width * FINER),
            height=round(camera.height * FINER),
            fx=camera.fx * FINER,
            fy=camera.fy * FINER,
            cx=(camera.cx + 0.5) * FINER - 0.5,
            cy=(camera.cy + 0.5) * FINER - 0.5,
            pixel_pitch=None if pitch is None else pitch / FINER,
        ),
        imaging=replace(
            imaging,
            optics=replace(
                optics,
                sigma_px=optics.sigma_px * FINER,
                motion_px=(motion[0] * FINER, motion[1] * FINER),
            ),
            sensor=replace(sensor, full_well=sensor.full_well / FINER**2),
        ),
    )


def _gain(change: str, problem: Problem, one: LensSiting, seed: int, note: str) -> Gain:
    found = best_of((_again(problem, one.best), *solve(problem, RESTARTS, seed)))
    if problem.predictor.ratio is not None:
        carried = "the map's ratio carried over, not measured for this"
        note = f"{note}; {carried}" if note else carried
    if found.feasible:
        return Gain(change, found.share, True, note)
    binding = LensSiting(problem, (found,), found, found).binding()
    return Gain(change, found.share, False, "; ".join(binding))


def _again(problem: Problem, best: Found) -> Found:
    return exchange(problem, polish(problem, best.x, best.choice))


def _like(one: LensSiting, bay: Bay, siting: Siting) -> Problem:
    """Return a changed bay's problem, with hidden targets and free mounts as in another's."""
    free = any(len(settings) > 1 for settings in one.problem.settings)
    problem = make_problem(bay, siting.predictor, free)
    sides = tuple(
        replace(side, correction=own.correction)
        for side, own in zip(problem.sides, one.problem.sides, strict=True)
    )
    return replace(problem, sides=sides, sight_lines=one.problem.sight_lines)


def _widened(problem: Problem, name: str) -> Problem:
    """Return a problem with one end of its siting space moved outward."""
    end, _, variable = name.partition(" ")
    low, high = getattr(problem.bay.siting, variable)
    wider = WIDER_ANGLE if variable in ("yaw", "pitch") else WIDER_LENGTH
    ends = (max(low - wider, 0.05) if variable not in ("yaw", "pitch") else low - wider, high)
    if end == "greatest":
        ends = (low, high + wider)
    changes: dict[str, Any] = {variable: ends}
    space = replace(problem.bay.siting, **changes)
    return replace(problem, bay=replace(problem.bay, siting=space))
