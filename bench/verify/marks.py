"""Marks on a target's face: something in front of it, scratches, dirt, all as exact polygons.

A drawing's reflectance is a sum of steps. Something opaque of reflectance r over a convex
polygon P replaces what is there by r; in the sum that is the polygon's own step r - background,
and each shape's step taken back on its part within P. That part is found by clipping its rings
at P's sides (Sutherland and Hodgman 1974, doi:10.1145/360767.360802). Where a ring falls apart,
clipping leaves bridges along P's sides, run through once each way: the rasteriser sums signed
areas, to which they add nothing.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from bench.targets.drawing import Area, Disc, Drawing
from bench.targets.target import Target
from bench.typing import Array

# A circle's part is cut from a polygon of so many sides: a sliver of 1 - cos(π/n) = 2e-5 of its
# radius keeps the circle's step, 1e-3 px at 50 px.
CIRCLE_SIDES = 512
# Reflectances. Scratches bare metal or plastic, dirt and whatever hangs before a target are dull.
SCRATCH, DIRT, OCCLUDER = (0.55, 0.8), (0.1, 0.3), (0.08, 0.3)
SCRATCH_WIDTH, DIRT_RADIUS = (0.004, 0.012), (0.02, 0.07)  # fractions of the pattern's width
DIRT_CORNERS = 9


def clip_ring(ring: Array, polygon: Array) -> Array:
    """Return the part of a ring (N, 2) within a convex, anticlockwise polygon (M, 2).

    The winding is kept; fewer than three points are returned where nothing is left.
    """
    for start, end in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        if len(ring) < 3:
            break
        along = end - start
        side = along[0] * (ring[:, 1] - start[1]) - along[1] * (ring[:, 0] - start[0])
        ring = _cut(ring, side)
    return ring if len(ring) >= 3 else np.empty((0, 2))


def _cut(ring: Array, side: Array) -> Array:
    """Return the part of a ring with `side` (N,) not negative."""
    inside = side >= 0.0
    if inside.all():
        return ring
    kept = []
    for i in range(len(ring)):
        before = i - 1
        if inside[i] != inside[before]:
            part = side[before] / (side[before] - side[i])
            kept.append(ring[before] + part * (ring[i] - ring[before]))
        if inside[i]:
            kept.append(ring[i])
    return np.array(kept).reshape(-1, 2)


def cover(drawing: Drawing, polygon: Array, reflectance: float) -> Drawing:
    """Return a drawing with an opaque convex polygon (M, 2), anticlockwise, painted over it."""
    low, high = polygon.min(axis=0), polygon.max(axis=0)
    shapes: list[Area | Disc] = list(drawing.shapes)
    for shape in drawing.shapes:
        rings = [r for r in _rings(shape) if np.all(r.max(0) > low) and np.all(r.min(0) < high)]
        parts = tuple(p for p in (clip_ring(r, polygon) for r in rings) if len(p))
        if parts:  # its step, taken back
            shapes.append(Area(parts, shape.below, shape.reflectance))
    shapes.append(Area((polygon,), reflectance, drawing.background))
    return replace(drawing, shapes=tuple(shapes))


def _rings(shape: Area | Disc) -> tuple[Array, ...]:
    if isinstance(shape, Area):
        return shape.rings
    return (_regular((shape.x, shape.y), shape.radius, CIRCLE_SIDES),)


def _regular(centre: tuple[float, float], radius: float, sides: int) -> Array:
    angles = 2.0 * math.pi * np.arange(sides) / sides
    return np.asarray(centre) + radius * np.column_stack((np.cos(angles), np.sin(angles)))


def strip(low: float, high: float, angle: float, half_length: float) -> Array:
    """Return the rectangle (4, 2) from `low` to `high` along a direction, metres."""
    axis = np.array([math.cos(angle), math.sin(angle)])
    across = np.array([-axis[1], axis[0]]) * half_length
    return np.array(
        [low * axis - across, high * axis - across, high * axis + across, low * axis + across]
    )


def hide(target: Target, drawing: Drawing, share: float, rng: np.random.Generator) -> Drawing:
    """Return the face with a share of the pattern's width hidden from a side drawn at random."""
    half = 0.5 * target.extent
    angle = 0.5 * math.pi * int(rng.integers(4)) + rng.uniform(-0.15, 0.15)
    reach = math.hypot(drawing.width, drawing.height)
    edge = half - share * target.extent
    return cover(drawing, strip(edge, edge + reach, angle, reach), rng.uniform(*OCCLUDER))


def scratch(target: Target, drawing: Drawing, count: int, rng: np.random.Generator) -> Drawing:
    """Return the face with bright scratches across it."""
    half = 0.5 * target.extent
    for _ in range(count):
        width = target.extent * rng.uniform(*SCRATCH_WIDTH)
        length = target.extent * rng.uniform(0.15, 0.5)
        offset = rng.uniform(-half, half, size=2)
        line = strip(-0.5 * width, 0.5 * width, rng.uniform(0.0, math.pi), length) + offset
        drawing = _mark(drawing, line, rng.uniform(*SCRATCH))
    return drawing


def soil(target: Target, drawing: Drawing, count: int, rng: np.random.Generator) -> Drawing:
    """Return the face with dull spots on it."""
    half = 0.5 * target.extent
    for _ in range(count):
        radius = target.extent * rng.uniform(*DIRT_RADIUS)
        spot = blob(rng.uniform(-half, half, size=2), radius, rng)
        drawing = _mark(drawing, spot, rng.uniform(*DIRT))
    return drawing


def _mark(drawing: Drawing, polygon: Array, reflectance: float) -> Drawing:
    """Paint on the plate, no farther than it reaches."""
    part = clip_ring(polygon, drawing.outline)
    return cover(drawing, part, reflectance) if len(part) else drawing


def blob(centre: Array, radius: float, rng: np.random.Generator) -> Array:
    """Return a convex patch (N, 2): points on an ellipse, in order."""
    angles = np.sort(rng.uniform(0.0, 2.0 * math.pi, DIRT_CORNERS))
    ellipse = np.column_stack((np.cos(angles), rng.uniform(0.5, 1.0) * np.sin(angles)))
    turn = rng.uniform(0.0, math.pi)
    c, s = math.cos(turn), math.sin(turn)
    return np.asarray(centre + radius * ellipse @ np.array([[c, s], [-s, c]]))


def cluttered(drawing: Drawing, count: int, rng: np.random.Generator) -> Drawing:
    """Return nothing but patches of any grey, where the plate was."""
    plate = Area((drawing.outline,), drawing.background, drawing.background)
    empty = Drawing(drawing.width, drawing.height, drawing.background, (plate,))
    half = np.array([0.5 * drawing.width, 0.5 * drawing.height])
    for _ in range(count):
        size = rng.uniform(0.05, 0.3) * drawing.width
        if rng.random() < 0.5:
            patch = blob(rng.uniform(-half, half), size, rng)
        else:
            low = rng.uniform(-0.5 * size, 0.0)
            patch = strip(low, low + size, rng.uniform(0.0, math.pi), rng.uniform(0.3, 0.7) * size)
            patch = patch + rng.uniform(-half, half)
        empty = cover(empty, patch, rng.uniform(0.05, 0.9))
    return empty
