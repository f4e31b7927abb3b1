"""Spread ink: a drawing whose black has grown, or shrunk, by one distance everywhere.

Every boundary moves along its normal, and corners stay sharp (mitred): a point is black where the
square of side twice the spread around it meets black, with the cells' own axes. Round corners
would lack 1 - π/4 of the spread squared at each, 2e-9 m² for 0.1 mm. Where cells of one paint
touch at a corner alone they overlap when they grow: a square that a clockwise ring takes back.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import scipy

from bench.errors import TargetError
from bench.targets.drawing import Area, Disc, Drawing
from bench.targets.outline import rectangle
from bench.targets.plate import SLACK_M
from bench.typing import Array


def inked(drawing: Drawing, spread: float) -> Drawing:
    """Return a drawing whose dark paint reaches further than drawn, on its lighter ground.

    The plate keeps its edge. Dirt and the like (`bench.verify.marks`) are no ink: put them on
    afterwards.

    Parameters
    ----------
    drawing : Drawing
        Of discs and of areas whose sides are upright or level, each off the edge of what it is
        painted on, as every design's are.
    spread : float
        Distance by which each boundary of black has moved into white, metres; negative where
        black has shrunk.

    Raises
    ------
    TargetError
        A side is slanted, or the spread would close or remove the drawing's finest part or reach
        the plate's edge.
    """
    if spread == 0.0:
        return drawing
    plan = _plan_of(drawing)
    _check(plan, spread)
    shapes: list[Area | Disc] = list(drawing.shapes[:1])
    for shape, ways, meetings in zip(drawing.shapes[1:], plan.ways, plan.meetings, strict=True):
        grown = _sign(shape) * spread
        if isinstance(shape, Disc):
            shapes.append(replace(shape, radius=shape.radius + grown))
            continue
        rings = [ring + grown * way for ring, way in zip(shape.rings, ways, strict=True)]
        if grown > 0.0:
            rings += [rectangle(*(m - grown), *(m + grown))[::-1] for m in meetings]
        shapes.append(replace(shape, rings=tuple(rings)))
    return replace(drawing, shapes=tuple(shapes))


def inked_boundaries(drawing: Drawing, spread: float) -> tuple[Array, Array, Array, Array]:
    """Return `inked`'s segments, their steps, discs and their steps, without its drawing.

    For fits, which try many spreads of one drawing: every boundary moves in proportion.

    Raises
    ------
    TargetError
        As `inked`.
    """
    _check(_plan_of(drawing), spread)
    edges, ways, steps, signs, circles, circle_steps = _moving_of(drawing)
    # where paint meets its own kind at a corner, it overlaps only when it grows
    there = signs * spread >= 0.0
    grown = circles.copy()
    grown[:, 2] += np.copysign(1.0, -circle_steps) * spread
    return (edges + spread * ways)[there], steps[there], grown, circle_steps


def _sign(shape: Area | Disc) -> float:
    """Return 1 for paint that grows with black, -1 for paint that black grows into."""
    return math.copysign(1.0, shape.below - shape.reflectance)


@lru_cache(maxsize=64)
def _moving_of(drawing: Drawing) -> tuple[Array, Array, Array, Array, Array, Array]:
    """Return segments (M, 4), by how much each moves a unit of spread, their steps, a sign.

    A segment with a sign is there only for spreads of that sign; then discs and their steps.
    """
    plan = _plan_of(drawing)
    edges, steps = drawing.segments()
    ways = [np.zeros((len(drawing.outline), 4))]
    met, met_ways = [np.empty((0, 4))], [np.empty((0, 4))]
    met_steps, signs = list[float](), list[float]()
    unit = _closed(rectangle(-1.0, -1.0, 1.0, 1.0)[::-1])
    for shape, own, meetings in zip(drawing.shapes[1:], plan.ways, plan.meetings, strict=True):
        ways += [_sign(shape) * _closed(way) for way in own]
        for meeting in meetings:
            met.append(np.tile(meeting, (4, 2)))
            met_ways.append(_sign(shape) * unit)
            met_steps += [shape.reflectance - shape.below] * 4
            signs += [_sign(shape)] * 4
    return (
        np.vstack((edges, *met)),
        np.vstack((*ways, *met_ways)),
        np.concatenate((steps, met_steps)),
        np.concatenate((np.zeros(len(edges)), signs)),
        *drawing.discs(),
    )


def _closed(ring: Array) -> Array:
    """Return a ring's segments (N, 4)."""
    return np.hstack((ring, np.roll(ring, -1, axis=0)))


def _check(plan: _Plan, spread: float) -> None:
    if not 2.0 * abs(spread) < plan.finest:  # also catches NaN
        raise TargetError(
            f"ink: a spread of {1000 * spread:.6g} mm would close or remove the drawing's finest "
            f"part, {1000 * plan.finest:.6g} mm; it must be less than half of that"
        )
    if not spread < plan.margin:
        raise TargetError(
            f"ink: a spread of {1000 * spread:.6g} mm reaches the plate's edge, "
            f"{1000 * plan.margin:.6g} mm from the drawing"
        )


@lru_cache(maxsize=64)
def takes_ink(drawing: Drawing) -> bool:
    """Tell whether `inked` knows this drawing's sides."""
    try:
        _plan_of(drawing)
    except TargetError:
        return False
    return True


@dataclass(frozen=True, eq=False)
class _Plan:
    """What growing needs to know of a drawing, shape by shape but for the plate.

    Attributes
    ----------
    ways : tuple of tuple of (N, 2) float64
        Of each ring's corners: how they move where the paint grows by one.
    meetings : tuple of tuple of (2,) float64
        Points where the shape meets paint of its own kind at a corner alone; each once.
    finest : float
        Smallest distance of parallel sides, disc's diameter or gap between discs, metres.
    margin : float
        Between the plate's edge and what is nearest to it, metres.
    """

    ways: tuple[tuple[Array, ...], ...]
    meetings: tuple[tuple[Array, ...], ...]
    finest: float
    margin: float


@lru_cache(maxsize=64)
def _plan_of(drawing: Drawing) -> _Plan:
    """Return the plan; drawings compare by identity."""
    ways: list[tuple[Array, ...]] = []
    meetings: list[tuple[Array, ...]] = []
    corners: set[tuple[object, ...]] = set()
    uprights, levels, reach = [np.empty(0)], [np.empty(0)], np.zeros(2)
    for shape in drawing.shapes[1:]:
        if isinstance(shape, Disc):
            ways.append(())
            meetings.append(())
            reach = np.maximum(reach, np.abs((shape.x, shape.y)) + shape.radius)
            continue
        ways.append(tuple(_outward(ring) for ring in shape.rings))
        met = []
        for ring, way in zip(shape.rings, ways[-1], strict=True):
            reach = np.maximum(reach, np.max(np.abs(ring), axis=0))
            side = np.roll(ring, -1, axis=0) - ring
            upright = np.abs(side[:, 1]) > np.abs(side[:, 0])
            uprights.append(ring[upright, 0])
            levels.append(ring[~upright, 1])
            for k in np.flatnonzero(_turns_left(side)):
                # a growing corner, and one of the same paint that would grow to meet it
                place = tuple(np.round(ring[k] / SLACK_M).astype(np.int64))
                paint = (*place, shape.reflectance, shape.below)
                if (*paint, *(-way[k])) in corners:
                    met.append(ring[k])
                corners.add((*paint, *way[k]))
        meetings.append(tuple(met))
    finest = min(_closest(np.concatenate(uprights)), _closest(np.concatenate(levels)))
    margin = float(np.min((0.5 * drawing.width, 0.5 * drawing.height) - reach))
    return _Plan(
        tuple(ways), tuple(meetings), min(finest, _finest_of_discs(drawing.discs()[0])), margin
    )


def _outward(ring: Array) -> Array:
    """Return how a ring's corners (N, 2) move where each side moves by one to its right.

    Raises
    ------
    TargetError
        A side is slanted, or doesn't turn at its end.
    """
    side = np.roll(ring, -1, axis=0) - ring
    length = np.max(np.abs(side), axis=1)
    normal = np.column_stack((side[:, 1], -side[:, 0])) / length[:, None]
    unit = np.round(normal)
    before = np.roll(unit, 1, axis=0)
    if np.any(np.abs(normal - unit) * length[:, None] > SLACK_M):
        raise TargetError("ink: only drawings of discs and of upright and level sides can spread")
    if np.any(np.sum(unit * before, axis=1) != 0.0):
        raise TargetError("ink: a ring's corner doesn't turn by a right angle")
    return np.asarray(unit + before)


def _turns_left(side: Array) -> Array:
    before = np.roll(side, 1, axis=0)
    return np.asarray(before[:, 0] * side[:, 1] - before[:, 1] * side[:, 0] > 0.0)


def _closest(places: Array) -> float:
    """Return the least distance between different places, infinite where there is none."""
    gaps = np.diff(np.sort(places))
    return float(np.min(gaps[gaps > SLACK_M], initial=math.inf))


def _finest_of_discs(discs: Array) -> float:
    """Return the least diameter or gap of discs (K, 3)."""
    if not len(discs):
        return math.inf
    diameter = 2.0 * discs[:, 2]
    if len(discs) == 1:
        return float(diameter[0])
    apart = scipy.spatial.cKDTree(discs[:, :2]).query(discs[:, :2], k=2)[0][:, 1]
    return float(min(np.min(diameter), np.min(apart) - np.max(diameter)))
